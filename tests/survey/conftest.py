"""A few recordings that several tests survey."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from survey.made_up import write_clips

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def eight_clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("eight")
    write_clips(folder, 8)
    return folder


@pytest.fixture
def clips(eight_clips: Path, tmp_path: Path) -> Path:
    """Eight recordings in two folders, the test's own to change."""
    folder = tmp_path / "recordings"
    shutil.copytree(eight_clips, folder)
    return folder
