"""Make the demonstration clips: ``python -m wingtone.simulate.demo_clips --out demo_audio``.

A made-up year in a made-up park, six recordings in formats that phones write. Tones follow the size line of
`wingtone.simulate.population`, moved a little as individuals are. The sounds repeat bit for bit on the
same versions of numpy and scipy; the encoded files do so for the same FFmpeg as well, except that Ogg
draws a random stream number.

- `demo_scenes`: what is in each clip
- `write_demo`: the clips, ``scenario.json`` with the truth, and ``README.md``
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.simulate.flight import Bee, Buzz, Hover, Pass, draw_bee, draw_sonication
from wingtone.simulate.microphone import Phone
from wingtone.simulate.scene import Clip, Scene, render

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping, Sequence

__all__ = ["DemoScene", "demo_scenes", "write_demo"]

NOTICE = (
    "Everything here is made up: the park, the visits, the bees and the sounds. "
    "The clips come from wingtone's own simulator; no animal and no person was recorded."
)
PLACE_NAME = "Quillbury Green, a park that does not exist"
LATITUDE_DEG, LONGITUDE_DEG, UNCERTAINTY_M = 51.1, -1.1, 10000
"""Somewhere in the south of England, so coarse that it points at nobody. Made up."""
_SPRING, _SUMMER = dt.timezone(dt.timedelta(0)), dt.timezone(dt.timedelta(hours=1))


@dataclass(frozen=True)
class DemoScene:
    """One clip before it is rendered.

    Attributes
    ----------
    file, codec, bit_rate, video
        How it is written, see `wingtone.audio.encode.write_encoded`.
    story, hints, temperature_c, recorded_at
        What the made-up naturalist saw and when.
    taxon, caste, itd_mm
        What the bee is meant to be; empty and None where no bee flies.
    expect
        What a good answer would be, in one sentence.
    """

    file: str
    story: str
    recorded_at: dt.datetime
    scene: Scene
    seed: int
    snr_db: float
    duration_s: float
    rate_hz: int
    expect: str
    taxon: str = ""
    caste: str = ""
    itd_mm: float | None = None
    temperature_c: float | None = None
    hints: Mapping[str, str] = field(default_factory=dict)
    codec: str | None = None
    bit_rate: int | None = None
    video: bool = False

    def render(self) -> Clip:
        """Make the sound."""
        return render(
            self.scene, self.seed, snr_db=self.snr_db, duration_s=self.duration_s, rate_hz=self.rate_hz
        )


def _bee(seed: int, f0_hz: float, label: str, *, second_db: float | None = None) -> Bee:
    bee = replace(
        draw_bee(np.random.default_rng(seed), f0_hz=f0_hz, label=label), wander=0.015, wander_hz=0.7
    )
    if second_db is None:
        return bee
    return replace(bee, harmonics_db=(bee.harmonics_db[0], second_db, *bee.harmonics_db[2:]))


def _flight(bee: Bee, start_s: float, end_s: float, path: Hover | Pass, *, glide: float = 0.0) -> Buzz:
    return Buzz("flight", bee, start_s, end_s, path, glide=glide, take_off=0.03)


def demo_scenes() -> tuple[DemoScene, ...]:
    """Give the six scenes, in order of the year."""
    queen = _bee(101, 110.0, "Bombus terrestris queen", second_db=5.0)
    early = _bee(102, 138.0, "Bombus pratorum queen")
    flower = _bee(104, 150.0, "Bombus terrestris worker")
    worker = _bee(103, 164.0, "Bombus lucorum worker")
    honey = _bee(105, 235.0, "Apis mellifera worker")
    rng = np.random.default_rng(104)
    return (
        DemoScene(
            file="1_march_big_queen.m4a",
            story="A very large bee flies low over the grass and looks into every hole; a gusty day.",
            recorded_at=dt.datetime(2026, 3, 12, 11, 40, 5, tzinfo=_SPRING),
            scene=Scene(
                "demo 1",
                (
                    _flight(queen, 0.8, 3.1, Hover(0.35), glide=-0.02),
                    _flight(queen, 4.2, 5.6, Pass(1.6, 0.4, 4.9)),
                    _flight(queen, 6.6, 9.2, Hover(0.3), glide=0.02),
                ),
                (("gusts", 0.0), ("hiss", -25.0), ("birds", -22.0)),
                Phone(high_pass_hz=90.0, n_microphones=2),
                temperature_c=11.0,
            ),
            seed=1,
            snr_db=6.0,
            duration_s=10.0,
            rate_hz=44100,
            bit_rate=96000,
            expect="a big queen; with the buff tail the buff-tailed bumblebee",
            taxon="Bombus terrestris",
            caste="queen",
            itd_mm=6.07,
            temperature_c=11.0,
            hints={"collar": "yellow", "shade": "golden", "tail": "buff", "behaviour": "nest-searching"},
        ),
        DemoScene(
            file="2_april_small_queen.3gp",
            story="A small bumblebee with two yellow bands on lungwort, before most workers fly: small now "
            "means a small kind.",
            recorded_at=dt.datetime(2026, 4, 9, 14, 12, 30, tzinfo=_SUMMER),
            scene=Scene(
                "demo 2",
                (
                    _flight(early, 0.7, 2.4, Hover(0.25)),
                    _flight(early, 3.3, 4.5, Hover(0.2), glide=0.03),
                    _flight(early, 5.2, 7.4, Hover(0.3)),
                ),
                (("hiss", 0.0), ("wind", 0.0), ("birds", -12.0)),
                Phone(high_pass_hz=150.0),
                temperature_c=13.0,
            ),
            seed=2,
            snr_db=12.0,
            duration_s=8.0,
            rate_hz=8000,
            codec="libopencore_amrnb",
            bit_rate=12200,
            expect="a queen of a small kind; with the orange tail the early bumblebee",
            taxon="Bombus pratorum",
            caste="queen",
            itd_mm=4.96,
            temperature_c=13.0,
            hints={"collar": "yellow", "bands": "2", "tail": "orange", "size": "small"},
        ),
        DemoScene(
            file="3_may_no_bee.mp4",
            story="The bee had gone when the phone was ready: a mower, people talking, wind.",
            recorded_at=dt.datetime(2026, 5, 20, 16, 3, 44, tzinfo=_SUMMER),
            scene=Scene(
                "demo 3",
                (),
                (("mower", 0.0), ("voices", -1.0), ("wind", -3.0)),
                Phone(high_pass_hz=100.0),
            ),
            seed=3,
            snr_db=float("nan"),
            duration_s=9.0,
            rate_hz=44100,
            bit_rate=64000,
            video=True,
            expect="no bee",
        ),
        DemoScene(
            file="4_july_tomato_flower.flac",
            story="A bee comes to a tomato flower, shakes it in short bursts, and leaves.",
            recorded_at=dt.datetime(2026, 7, 2, 10, 25, 0, tzinfo=_SUMMER),
            scene=Scene(
                "demo 4",
                (
                    _flight(flower, 0.6, 2.6, Hover(0.3), glide=0.02),
                    *draw_sonication(rng, flower, start_s=3.1, end_s=6.3, distance_m=0.25),
                    _flight(flower, 6.8, 8.4, Hover(0.35)),
                ),
                (("hiss", 0.0), ("leaves", -3.0)),
                Phone(high_pass_hz=80.0, level_db=-32.0, bits=14),
                temperature_c=21.0,
            ),
            seed=4,
            snr_db=14.0,
            duration_s=9.0,
            rate_hz=16000,
            expect="two flights and a flower buzz between them, which must not be taken for flight",
            taxon="Bombus terrestris",
            caste="worker",
            itd_mm=4.15,
            temperature_c=21.0,
            hints={"collar": "yellow", "tail": "buff"},
        ),
        DemoScene(
            file="5_july_worker.ogg",
            story="A middling bee with two yellow bands, none at the rear of the thorax, and a white tail "
            "collects pollen on bramble; sent on as a voice message.",
            recorded_at=dt.datetime(2026, 7, 14, 15, 50, 12, tzinfo=_SUMMER),
            scene=Scene(
                "demo 5",
                (
                    _flight(worker, 0.5, 1.9, Hover(0.3)),
                    _flight(worker, 2.7, 3.5, Hover(0.25), glide=-0.03),
                    _flight(worker, 4.3, 6.6, Hover(0.3)),
                    _flight(worker, 7.2, 8.4, Pass(2.5, 0.35, 7.7)),
                ),
                (("traffic", 0.0), ("hiss", -10.0), ("crickets", -18.0)),
                Phone(high_pass_hz=120.0, automatic_gain=True),
                temperature_c=22.0,
            ),
            seed=5,
            snr_db=10.0,
            duration_s=9.0,
            rate_hz=48000,
            codec="libopus",
            bit_rate=32000,
            expect="a worker; buff-tailed and white-tailed workers cannot be told apart, so the pair",
            taxon="Bombus lucorum",
            caste="worker",
            itd_mm=3.87,
            temperature_c=22.0,
            hints={
                "collar": "yellow",
                "bands": "2",
                "scutellum": "none",
                "tail": "white",
                "hind-leg": "pollen",
            },
        ),
        DemoScene(
            file="6_august_honey_bee.wav",
            story="Something small and brown hangs in front of the heather.",
            recorded_at=dt.datetime(2026, 8, 5, 12, 31, 55, tzinfo=_SUMMER),
            scene=Scene(
                "demo 6",
                (_flight(honey, 0.6, 3.0, Hover(0.2)), _flight(honey, 3.7, 5.4, Hover(0.25))),
                (("hiss", 0.0), ("wind", 0.0)),
                Phone(high_pass_hz=100.0),
                temperature_c=20.0,
            ),
            seed=6,
            snr_db=12.0,
            duration_s=6.0,
            rate_hz=16000,
            expect="not a bumblebee: a honey bee, at the usual pitch of one that hovers",
            taxon="Apis mellifera",
            caste="worker",
            itd_mm=2.95,
            temperature_c=20.0,
        ),
    )


def truth_of(clip: Clip) -> list[dict[str, Any]]:
    """Give the bouts of a clip as plain data; pulses of one sonication less than 0.7 s apart become one."""
    rows: list[dict[str, Any]] = []
    for bout in clip.truth.bouts:
        if rows and rows[-1]["kind"] == bout.kind == "sonication" and bout.start_s - rows[-1]["end_s"] < 0.7:
            rows[-1]["end_s"] = round(bout.end_s, 2)
            continue
        rows.append({"kind": bout.kind, "start_s": round(bout.start_s, 2), "end_s": round(bout.end_s, 2)})
    for row in rows:
        tone = clip.truth.f0_hz if row["kind"] == "flight" else clip.truth.sonication_hz
        inside = (clip.truth.time_s >= row["start_s"]) & (clip.truth.time_s <= row["end_s"])
        row["f0_hz"] = round(float(np.nanmedian(tone[inside])), 1)
    return rows


def write_demo(folder: str | os.PathLike[str]) -> list[Path]:
    """Write clips, ``scenario.json`` and ``README.md`` into a folder (made when missing).

    Returns
    -------
    list of Path
        The clips.

    Raises
    ------
    OutputError
        When a file cannot be written.
    """
    from wingtone.audio.encode import write_encoded
    from wingtone.files import replacing

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths, rows = [], []
    for demo in demo_scenes():
        clip = demo.render()
        path = folder / demo.file
        write_encoded(
            path,
            clip.samples,
            rate_hz=clip.rate_hz,
            codec=demo.codec,
            bit_rate=demo.bit_rate,
            video=demo.video,
            creation=demo.recorded_at,
            latitude_deg=LATITUDE_DEG,
            longitude_deg=LONGITUDE_DEG,
        )
        paths.append(path)
        rows.append(_row(demo, clip))
    scenario = {
        "schema": "wingtone/demo/1",
        "title": "A made-up year at Quillbury Green",
        "notice": NOTICE,
        "place": {
            "name": PLACE_NAME,
            "latitude_deg": LATITUDE_DEG,
            "longitude_deg": LONGITUDE_DEG,
            "uncertainty_m": UNCERTAINTY_M,
        },
        "clips": rows,
    }
    with replacing(folder / "scenario.json") as scratch:
        scratch.write_text(json.dumps(scenario, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    with replacing(folder / "README.md") as scratch:
        scratch.write_text(_readme(rows), encoding="utf-8")
    return paths


def _row(demo: DemoScene, clip: Clip) -> dict[str, Any]:
    return {
        "file": demo.file,
        "story": demo.story,
        "date": demo.recorded_at.date().isoformat(),
        "recorded_at": demo.recorded_at.isoformat(),
        "temperature_c": demo.temperature_c,
        "hints": dict(demo.hints),
        "truth": {
            "taxon": demo.taxon or None,
            "caste": demo.caste or None,
            "itd_mm": demo.itd_mm,
            "bouts": truth_of(clip),
        },
        "expect": demo.expect,
    }


def _readme(rows: Sequence[Mapping[str, Any]]) -> str:
    table = "\n".join(
        f"| `{row['file']}` | {row['date']} | {row['story']} | {row['expect']} |" for row in rows
    )
    return f"""# Demonstration clips

{NOTICE}

`wingtone demo` runs them and compares what it finds with what was put in (`scenario.json`).

| file | made-up date | made-up story | a good answer |
| --- | --- | --- | --- |
{table}

The made-up place is {PLACE_NAME}; its coordinates ({LATITUDE_DEG}, {LONGITUDE_DEG}, give
or take {UNCERTAINTY_M // 1000} km) were chosen to lie in southern England and mean nothing more. The tones
are put near where the size of such a bee would place them (a line between sizes and tones, drawn through
figures from the literature): they are not measurements and must not be used as such.

Rebuild: `python -m wingtone.simulate.demo_clips --out demo_audio`. The sound repeats bit for bit on the
same versions of numpy and scipy; the files repeat for the same FFmpeg, apart from the Ogg file, whose stream
number is drawn at random.
"""


def main() -> None:
    """Run as a program."""
    parser = argparse.ArgumentParser(description="Make wingtone's demonstration clips.")
    parser.add_argument("--out", required=True, type=Path, help="folder to write to")
    paths = write_demo(parser.parse_args().out)
    for path in paths:
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")
    print(f"together {sum(path.stat().st_size for path in paths) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
