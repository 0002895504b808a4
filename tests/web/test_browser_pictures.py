"""The README's pictures of the page, made anew in each run and checked; kept only when asked for::

    WINGTONE_PICTURES=demo_audio/pictures python -m pytest tests/web/test_browser_pictures.py

puts them where the README shows them.
"""

from __future__ import annotations

import io
import os
import shutil
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from PIL import Image
from playwright.sync_api import expect

from .chromium import Visitors, answered, drawn

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from .conftest import LivePage

MOST_BYTES = 300_000
WIDE, PHONE = {"width": 1280, "height": 880}, {"width": 390, "height": 844}
QUEEN, TOMATO = "1_march_big_queen.m4a", "4_july_tomato_flower.flac"
# What the made-up story of the clip says was seen, see demo_audio/README.md.
SEEN = {"hints": {"tail": "buff", "collar": "yellow", "size": "very-large", "behaviour": "nest-searching"}}


@pytest.fixture
def desk(empty_page: LivePage, demo_clip: Path) -> dict[str, str]:
    """The bundled clips on the desk; gives their ids by name."""
    ids = {}
    for source in sorted(demo_clip.glob("[1-6]_*")):
        ids[source.name] = empty_page.bring(source)["id"]
        empty_page.heard(ids[source.name])
    held = empty_page.client.get(f"/api/clips/{ids[QUEEN]}").json()["seen"]
    empty_page.client.put(f"/api/clips/{ids[QUEEN]}/seen", json=held | SEEN).raise_for_status()
    return ids


def kept(tab: Page, folder: Path, name: str) -> None:
    """Take the picture; look that it is one, of the right size and not too heavy."""
    tab.evaluate("document.activeElement.blur()")
    if tab.locator(".strip-field").count():
        drawn(tab)
    made = folder / f"page_{name}.png"
    # 256 colours are enough for ink on paper, and a third of the weight.
    shot = Image.open(io.BytesIO(tab.screenshot())).convert("RGB")
    shot.quantize(256, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(made, optimize=True)
    content = made.read_bytes()
    # PNG (ISO/IEC 15948), clause 11.2.2: after signature, length and type stand width and height.
    size = tab.viewport_size
    assert size is not None
    assert struct.unpack(">II", content[16:24]) == (size["width"], size["height"])
    assert 10_000 < len(content) <= MOST_BYTES
    if asked := os.environ.get("WINGTONE_PICTURES"):
        shutil.copy(made, Path(asked) / made.name)


def test_pictures_of_the_page(
    empty_page: LivePage, desk: dict[str, str], visit: Visitors, tmp_path: Path
) -> None:
    for scheme in ("light", "dark"):
        tab = visit(empty_page.url, viewport=WIDE, color_scheme=scheme)
        expect(tab.locator("[data-status=ready]")).to_have_count(len(desk))
        kept(tab, tmp_path, f"desk_{scheme}")
        tab.goto(f"{empty_page.url}#desk/{desk[TOMATO]}")
        answered(tab, TOMATO)
        tab.get_by_role("button", name="flower buzz").first.click()
        kept(tab, tmp_path, f"recording_{scheme}")
        tab.goto(f"{empty_page.url}#desk/{desk[QUEEN]}")
        answered(tab, QUEEN)
        tab.locator(".open-columns").evaluate("node => node.scrollIntoView()")
        kept(tab, tmp_path, f"answer_{scheme}")
    tab = visit(f"{empty_page.url}#desk/{desk[TOMATO]}", viewport=PHONE, has_touch=True, is_mobile=True)
    answered(tab, TOMATO)
    kept(tab, tmp_path, "phone_light")
