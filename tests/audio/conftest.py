"""One folder with the bout in every format, written once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from wingtone.audio.encode import write_encoded

from .bout import DEVICE, FORMS, LATITUDE_DEG, LONGITUDE_DEG, RATE_HZ, WHEN, make_bout

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def bouts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of all `FORMS`, by name."""
    folder = tmp_path_factory.mktemp("bouts")
    sound = make_bout()
    for form in FORMS:
        write_encoded(
            folder / form.name,
            sound,
            rate_hz=RATE_HZ,
            codec=form.codec,
            video=form.video,
            creation=WHEN,
            latitude_deg=LATITUDE_DEG,
            longitude_deg=LONGITUDE_DEG,
            device=DEVICE,
        )
    return folder
