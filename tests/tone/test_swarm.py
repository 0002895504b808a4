"""Many bees at once are answered as many bees, and one or two bees never are.

Outside facts: the simulator's truth, on seeds nothing was set on; a real hive and real single insects,
labelled by those who recorded them (see ``benchmarks/labelled.py``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks.labelled import read_labels, recordings_folder
from tone.sounds import at_tone_rate
from wingtone.audio import read
from wingtone.simulate import make_scene, negative_scene
from wingtone.tone import RATE_HZ, measure
from wingtone.tone.rows import ROW
from wingtone.tone.swarm import LEAST_S, LEAST_SALIENCE, swarm_frames

if TYPE_CHECKING:
    from wingtone.simulate import Clip

LENGTH_S = 12.0


def flags_of(scene: Clip) -> tuple[str, ...]:
    result = measure([at_tone_rate(scene)])
    if "many bees" in result.flags:
        assert not any(bout.kind == "flight" for bout in result.bouts)
    return result.flags


def test_made_up_hives() -> None:
    """Four of six at least: with few bees near the microphone a hive may still sound like one or two."""
    scenes = [negative_scene(900 + n, kind="hive", duration_s=LENGTH_S, rate_hz=16000) for n in range(6)]
    assert sum("many bees" in flags_of(scene) for scene in scenes) >= 4


@pytest.mark.parametrize("condition", ["hover", "two bees", "mower", "gusts", "missing fundamental"])
def test_one_or_two_bees_are_not_many(condition: str) -> None:
    for seed in (900, 901):
        scene = make_scene(seed, condition=condition, snr_db=8.0, duration_s=LENGTH_S, rate_hz=16000)
        assert "many bees" not in flags_of(scene)


@pytest.mark.parametrize("kind", ["voices", "engine", "mower", "hum", "music", "rotors"])
def test_other_sounds_are_not_many_bees(kind: str) -> None:
    scene = negative_scene(900, kind=kind, duration_s=LENGTH_S, rate_hz=16000)
    assert "many bees" not in flags_of(scene)


def test_silence_and_short_hums_hold_no_swarm() -> None:
    nothing = np.zeros(0, ROW)
    assert swarm_frames(nothing, nothing).size == 0
    short = np.zeros(int(100 * LEAST_S / 2), ROW)
    short["frame"], short["tracked"], short["ln_f0"] = np.arange(short.size), True, np.log(200.0)
    assert swarm_frames(short, short).size == 0


def test_real_recordings() -> None:
    """The busy hive is many bees, and no recording of anything else is."""
    folder = recordings_folder()
    if folder is None:
        pytest.skip("the labelled recordings are not here (WINGTONE_RECORDINGS): the real hive is not tried")
    many = set()
    for file, events in read_labels(folder).items():
        samples, info = read(folder / file, rate_hz=RATE_HZ)
        if samples.shape[1] < LEAST_S * RATE_HZ:
            continue
        result = measure([samples], band_hz=info.sample_rate_hz / 2)
        if "many bees" in result.flags:
            many.add(file)
        if events[0].label == "hive":
            assert not any(bout.kind == "flight" for bout in result.bouts)
    assert many == {"hive-czech/18-08-07_09_30_11.flac"}


def test_what_hardly_stands_out_is_no_swarm() -> None:
    """Tones all over the place for 20 s with another beside each: a swarm when they stand out, else noise."""
    rows = np.zeros(2000, ROW)
    rows["frame"], rows["tracked"] = np.arange(2000), True
    rows["ln_f0"] = np.log(200.0) + np.random.default_rng(1).uniform(-0.3, 0.3, 2000)
    second = rows.copy()
    second["ln_f0"] += 0.1
    rows["salience"] = second["salience"] = LEAST_SALIENCE + 0.1
    assert swarm_frames(rows, second).size >= 2000
    rows["salience"] = LEAST_SALIENCE - 0.1
    assert swarm_frames(rows, second).size == 0
    rows["salience"], second["salience"] = LEAST_SALIENCE + 0.1, LEAST_SALIENCE - 0.1
    assert swarm_frames(rows, second).size == 0
