"""Made-up recordings for surveys, and the tables that came out."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np

from wingtone.audio.encode import write_encoded
from wingtone.simulate import make_scene, negative_scene

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

RATE_HZ = 16_000
CONDITIONS = ("hover", "fly-by", "gusts", "glide")


def clip(seed: int, *, duration_s: float = 4.0, rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """A short clip with a bee, shape (n,)."""
    scene = make_scene(
        seed, condition=CONDITIONS[seed % 4], snr_db=12, duration_s=duration_s, rate_hz=rate_hz
    )
    samples: NDArray[np.float32] = scene.samples[0]
    return samples


def write_clips(folder: Path, count: int, *, duration_s: float = 4.0) -> None:
    """Clips of different bees, dated by their names, in two folders."""
    for i in range(count):
        path = folder / f"site {i % 2}" / f"bee_202606{10 + i // 24:02d}_{i % 24:02d}1500.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_encoded(path, clip(i, duration_s=duration_s), rate_hz=RATE_HZ)


def garden(seconds: int, *, bees_at: tuple[float, ...], rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """A long sound, shape (n,): birds and hiss, and a bee of 6 s from each of these times on."""
    quiet = [negative_scene(70 + i, kind=kind, duration_s=10.0, rate_hz=rate_hz).samples[0] for i, kind in
             enumerate(("birds", "hiss", "leaves"))]  # fmt: skip
    sound = np.resize(np.concatenate(quiet), seconds * rate_hz).astype(np.float32)
    for i, at_s in enumerate(bees_at):
        bee = make_scene(500 + i, condition="hover", snr_db=15, duration_s=6.0, rate_hz=rate_hz).samples[0]
        start = round(at_s * rate_hz)
        sound[start : start + bee.size] = bee
    return sound


def rows(path: Path) -> list[dict[str, str]]:
    """A CSV table."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def tables(out: Path) -> dict[str, str]:
    """The three tables as text."""
    return {name: (out / f"{name}.csv").read_text("utf-8") for name in ("bouts", "recordings", "effort")}
