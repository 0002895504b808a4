"""The guides hold: every command runs, prints what is quoted, and the pictures are those it draws.

Pictures that the guides' own commands draw are made anew here and compared. To keep the new ones::

    WINGTONE_GUIDE_PICTURES=guides/pictures python -m pytest tests/guides

Those of the page lie in ``demo_audio/pictures`` and are made by ``tests/web/test_browser_pictures.py``.
"""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from .following import GUIDES, LEFT_OUT, ROOT, blocks_of, fits, prepare, run

if TYPE_CHECKING:
    from pathlib import Path

ALL = sorted(GUIDES.glob("*.md"))
MOST_BYTES = 200_000
COLOURS = 128
"""Enough for ink on paper; the figures hold more for the smoothing of letters only."""


def test_there_is_a_guide_for_each_reader() -> None:
    assert [path.stem for path in ALL] == ["garden_naturalist", "researcher", "verifier"]


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.stem)
def test_a_reader_can_follow(path: Path, tmp_path: Path) -> None:
    prepare(tmp_path)
    text = path.read_text(encoding="utf-8")
    blocks = blocks_of(text)
    assert len(blocks) >= 5
    for block in blocks:
        printed = run(block, tmp_path)
        if block.quoted is not None:
            assert fits(block.quoted, printed), f"line {block.line}:\n{block.text}\nprints\n{printed}"
    assert f"`{LEFT_OUT}`" in text, "readers are told what the dots stand for"
    for name in re.findall(r"\]\(pictures/([^)]+)\)", text):
        compare_picture(tmp_path / name, GUIDES / "pictures" / name)


def compare_picture(made: Path, kept: Path) -> None:
    """See that the picture shown is the one that the guide's own command draws; keep the new one if asked."""
    small = made.with_suffix(".small.png")
    drawn = Image.open(made).convert("RGB")
    drawn.quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(
        small, optimize=True
    )
    if asked := os.environ.get("WINGTONE_GUIDE_PICTURES"):
        small.replace(ROOT / asked / made.name)
    shown = Image.open(kept).convert("RGB")
    assert shown.size == drawn.size
    apart = np.abs(np.asarray(shown, dtype=int) - np.asarray(drawn, dtype=int)).max(axis=2)
    assert (apart > 64).mean() < 0.002, f"{kept.name} shows something else; see the first lines of this file"


def test_pictures_are_light_and_all_are_shown() -> None:
    shown = {
        (path.parent / target).resolve()
        for path in ALL
        for target in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", path.read_text(encoding="utf-8"))
    }
    assert {path.resolve() for path in (GUIDES / "pictures").iterdir()} <= shown
    for path in shown:
        assert path.read_bytes().startswith(b"\x89PNG")
        assert path.stat().st_size < MOST_BYTES


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.stem)
def test_links_lead_somewhere_and_pictures_are_described(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)]+)\)", text)
    assert targets
    for target in targets:
        assert "://" not in target, "the guides stand by themselves"
        file, _, heading = target.partition("#")
        where = path.parent / file
        assert where.is_file(), target
        if heading:
            assert heading in anchors(where.read_text(encoding="utf-8")), target
    descriptions = re.findall(r"!\[([^\]]*)\]", text)
    assert descriptions
    assert all(len(words.split()) >= 5 for words in descriptions)


def anchors(text: str) -> set[str]:
    """Anchors of the headings of a document, as they are made of their words."""
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


AMERICAN = re.compile(
    r"\b(?:colors?|colored|gray\w*|behavior\w*|favorite\w*|center\w*|neighbor\w*|labeled|labeling"
    r"|catalog|analyz\w+|honor\w*|meters?|liters?|traveled|canceled|recogniz\w+|organiz\w+|summariz\w+)\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.stem)
def test_the_words_are_british_and_say_that_the_bees_are_made_up(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert not AMERICAN.findall(text)
    assert "made up" in text
    assert "../README.md" in text


def test_a_wrong_quotation_is_noticed() -> None:
    printed = "one\ntwo\n\nthree\n"
    assert fits(printed, printed)
    assert fits("one\n...\nthree\n", printed)
    assert fits("...\ntwo\n...\n", printed)
    assert not fits("one\nthree\n", printed)
    assert not fits("one\n...\nfour\n", printed)
    assert not fits("one\ntwo\n", printed)
