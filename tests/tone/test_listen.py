"""One pass in bounded memory: fast ways against slow, obvious ones, and what is kept of what is heard."""

from __future__ import annotations

import tracemalloc
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import firwin

from tone.sounds import RATE, at_tone_rate, harmonic_sound
from wingtone.simulate import make_scene
from wingtone.tone import comb, listen, refine, rows, scout, spectrum, track
from wingtone.tone.measure import piece_features

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

BAND_HZ = RATE / 2


def blocks(sound: NDArray[np.float32], times: int = 1) -> Iterator[NDArray[np.float32]]:
    for _ in range(times):
        yield sound[None]


def noise(seconds: float, seed: int = 0) -> NDArray[np.float32]:
    drawn = np.random.default_rng(seed).standard_normal(round(seconds * RATE))
    return (0.01 * drawn).astype(np.float32)


def scene(condition: str, seed: int, snr_db: float) -> NDArray[np.float32]:
    return at_tone_rate(make_scene(seed, condition=condition, snr_db=snr_db, duration_s=8.0, rate_hz=16000))


# --- fast against slow --------------------------------------------------------------------------------


def test_contrast_is_the_level_over_the_running_mean() -> None:
    frames = np.random.default_rng(4).standard_normal((150, spectrum.N_BINS)).astype(np.float32)
    half = round(spectrum.FLOOR_WIDTH_HZ / 2 / spectrum.BIN_HZ)
    for band_hz in (BAND_HZ, 1900.0):
        top = min(spectrum.N_BINS, int(band_hz / spectrum.BIN_HZ))
        plain = np.zeros_like(frames)
        plain[:, :top] = frames[:, :top] - spectrum.running_mean(frames[:, :top], half)
        fast = spectrum.contrast(frames, band_hz=band_hz)
        assert fast == pytest.approx(np.clip(plain, -2, 4), abs=1e-5)


def test_salience_is_the_better_weighted_sum_over_few_or_all_teeth_and_gaps() -> None:
    marks = np.random.default_rng(5).standard_normal((3, spectrum.N_BINS)).astype(np.float32)
    fast = comb.salience(marks)
    for candidate in (0, 77, 200, 300, comb.candidates_hz().size - 1):
        total, energy = np.zeros(3), 0.0
        few = total
        for h in range(1, comb.N_HARMONICS + 1):
            for place, weight in ((h, h**-comb.DECAY), (h - 0.5, -comb.GAP_WEIGHT * h**-comb.DECAY)):
                steps = candidate + round(np.log(place) / comb.STEP)
                at_bin = comb.LOWEST_HZ * np.exp(comb.STEP * (steps - 0.4)) / spectrum.BIN_HZ
                # The log axis starts half a step or less off the candidates; its own position counts.
                axis = comb.LOWEST_HZ / 2 * np.exp(comb.STEP * (steps + round(np.log(2) / comb.STEP)))
                if axis > 2900.0 / np.exp(comb.STEP):
                    continue
                assert axis / spectrum.BIN_HZ == pytest.approx(at_bin, rel=comb.STEP)
                read = [np.interp(axis / spectrum.BIN_HZ, np.arange(spectrum.N_BINS), one) for one in marks]
                total += weight * np.array(read)
                energy += weight**2
            if h == comb.FEW_HARMONICS:
                few = total / np.sqrt(energy)
        both = np.maximum(few, total / np.sqrt(energy))
        assert fast[:, candidate] == pytest.approx(both, abs=1e-4)


def test_salience_block_by_block_is_that_of_the_whole() -> None:
    sound = scene("gusts", 3, 5.0)
    whole = comb.combine_channels(
        [comb.search_salience(spectrum.contrast(spectrum.log_power(channel))) for channel in sound]
    )
    assert listen.salience_of(sound, band_hz=BAND_HZ) == pytest.approx(whole, abs=1e-4)


def test_looks_are_the_salience_of_every_fifth_frame_read_more_roughly() -> None:
    sound = scene("gusts", 3, 5.0)
    fine = listen.salience_of(sound, band_hz=BAND_HZ)[:: scout.STEP_FRAMES]
    looks = listen.looks_at(sound, band_hz=BAND_HZ)
    assert looks.shape == fine.shape
    assert np.corrcoef(looks.ravel(), fine.ravel())[0, 1] > 0.95
    clear = fine.max(axis=1) > 6
    assert clear.sum() > 50
    assert np.median(np.abs(looks.argmax(axis=1) - fine.argmax(axis=1))[clear]) <= 1
    assert np.median(looks.max(axis=1)[clear] / fine.max(axis=1)[clear]) > 0.85


def test_lines_brought_to_rest_are_the_plain_low_pass_of_the_turned_sound() -> None:
    rng = np.random.default_rng(6)
    n, step = 8, refine.DECIMATION
    samples = rng.standard_normal((2, n * step)).astype(np.float32)
    turns = 40.0 + np.cumsum(rng.uniform(0.01, 0.05, samples.shape[1]))
    weights = firwin(3 * step, 2 * refine.CUT_HZ / RATE, window=("kaiser", 2.5))
    fast = refine._at_rest(samples, turns, 5)
    for line in range(5):
        turned = samples * np.exp(-1j * np.pi * (line + 1) * (turns - turns[0]))
        for channel in range(2):
            plain = np.convolve(turned[channel], weights)[2 * step - 1 :: step][:n]
            assert fast[line, channel] == pytest.approx(plain, abs=1e-5)


def test_running_means_over_windows_are_the_plain_ones() -> None:
    for n in (1, 2, 5, 6, 7, 8, 30):
        values = np.random.default_rng(n).uniform(1, 2, (2, n)).astype(np.float32)
        ones = np.ones(min(7, n))
        weight = np.convolve(np.ones(n), ones, "same")
        plain = [np.convolve(row, ones, "same") / weight for row in values]
        assert refine._edge_mean(values) == pytest.approx(np.array(plain), abs=1e-5)


def test_the_best_other_tone_is_no_relative() -> None:
    n = comb.candidates_hz().size
    rng = np.random.default_rng(7)
    path = np.array([5, 120, 200, 201, 300, n - 1])
    levels = rng.standard_normal((1, 6, spectrum.N_BINS)).astype(np.float32)
    salience = comb.salience(levels[0])
    found = rows.frame_rows(levels, levels, path)
    for row, candidate, values in zip(found, path, salience, strict=True):
        others = [
            values[c]
            for c in range(n)
            if all(
                abs(abs(c - candidate) * comb.STEP - abs(np.log(ratio))) >= rows.RELATIVE_LN
                for ratio in rows.RELATIVES
            )
        ]
        assert row["salience_other"] == pytest.approx(max(others))


def test_an_engine_that_is_followed_at_its_third_line_has_lines_between() -> None:
    """Lines every 45 Hz, each third one the strongest (three blows a turn); the other is a bee of 135 Hz."""
    engine = [1.0 if line % 3 == 0 else 0.3 for line in range(1, 25)]
    between = {}
    for name, sound in (("engine", harmonic_sound(45.0, amplitudes=engine)), ("bee", harmonic_sound(135.0))):
        pieces, described = piece_features([sound[None]], keep_motors=True)
        assert [round(float(np.exp(piece.ln_f0))) for piece in pieces] == [135] * len(pieces)
        assert pieces
        between[name] = [row["thirds"] for row in described]
    assert min(between["engine"]) > 1.0
    assert max(between["bee"]) < 0.0


def test_thirds_are_read_between_the_lowest_lines() -> None:
    place = np.arange(spectrum.N_BINS, dtype=np.float32)[None, None]
    path = np.array([150])
    (row,) = rows.frame_rows(0 * place, place, path)
    spacing = np.exp(row["ln_f0"]) / spectrum.BIN_HZ
    assert row["thirds"] == pytest.approx(spacing * np.array([1, 2, 4, 5, 7, 8]) / 3, rel=1e-4)
    assert row["gaps"][:2] == pytest.approx(spacing * np.array([0.5, 1.5]), rel=1e-4)


# --- the quick look -------------------------------------------------------------------------------------


@pytest.mark.parametrize("snr_db", [10.0, 0.0, -6.0])
@pytest.mark.parametrize("condition", ["fly-by", "short bouts", "wander", "stereo wind", "sonication"])
def test_the_quick_look_misses_nothing_that_is_tracked(condition: str, snr_db: float) -> None:
    sound = scene(condition, 60, snr_db)
    salience = listen.salience_of(sound, band_hz=BAND_HZ)
    for phase in range(scout.STEP_FRAMES):
        late = salience[phase:]
        path = track.best_path(late)
        looked_at = np.zeros(path.size, bool)
        looks = listen.looks_at(sound[:, phase * spectrum.HOP :], band_hz=BAND_HZ)
        for first, end in scout.spans(looks, n_frames=len(late)):
            looked_at[first:end] = True
            # Before and past a span nothing is heard, but before the start of the sound and past its end.
            before = np.full((min(1, first), late.shape[1]), track.UNHEARD, np.float32)
            after = np.full((min(1, path.size - end), late.shape[1]), track.UNHEARD, np.float32)
            inside = track.best_path(np.concatenate([before, late[first:end], after]))[len(before) :]
            assert (inside[: end - first] == path[first:end]).all()
        assert looked_at[path != track.NO_BEE].all()


def test_the_quick_look_passes_over_noise_and_finds_a_tone_in_it() -> None:
    quiet = listen.looks_at(noise(30)[None], band_hz=BAND_HZ)
    assert sum(end - first for first, end in scout.spans(quiet, n_frames=3000)) < 0.1 * 3000
    tone = harmonic_sound(150.0, duration_s=1.0, snr_db=3, quiet_s=10.0)
    salience = listen.looks_at(tone[None], band_hz=BAND_HZ)
    margin = spectrum.WINDOW // spectrum.HOP
    assert any(
        first < 1000 + margin and 1100 - margin < end for first, end in scout.spans(salience, n_frames=2100)
    )


def test_no_looks_and_one_look() -> None:
    n = comb.candidates_hz().size
    assert scout.spans(np.zeros((0, n), np.float32), n_frames=0) == []
    assert scout.spans(np.full((1, n), 9.0, np.float32), n_frames=3) == [(0, 3)]


# --- parts, work and memory -------------------------------------------------------------------------------


def test_parts_together_are_the_whole_and_stand_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    tone = harmonic_sound(140.0, duration_s=3.0, snr_db=5, quiet_s=6.0)
    sound = np.concatenate([tone, tone, noise(40), tone])
    parts = list(listen.listen(blocks(sound)))
    monkeypatch.setattr(listen, "QUIET_FRAMES", 10**9)
    (whole,) = listen.listen(blocks(sound))
    assert len(parts) > 1
    for kind in ("rows", "refined", "second_rows", "second_refined"):
        joined = np.concatenate([getattr(part, kind) for part in parts])
        assert joined.tobytes() == getattr(whole, kind).tobytes()
    heard = [part.rows["frame"][part.rows["tracked"]] for part in parts if part.rows.size]
    assert len(heard) > 1
    for one, after in pairwise(heard):
        assert after[0] - one[-1] > 200
    assert max(part.peak for part in parts) == pytest.approx(np.abs(sound).max(), rel=1e-2)


def test_chunks_of_any_length_hear_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Faint tones, cut at many places: the margin is long enough, and a much shorter one would not be."""
    rng = np.random.default_rng(7)
    tones = []
    for seed in range(8):
        n = int(rng.uniform(1.5, 4.5) * RATE)
        line = 140.0 * np.exp(0.02 * np.sin(2 * np.pi * 0.4 * np.arange(n) / RATE))
        tones.append(harmonic_sound(line, duration_s=n / RATE, snr_db=-6, quiet_s=0.8, seed=seed))
    sound = np.concatenate(tones)

    def rows() -> bytes:
        return np.concatenate([part.rows for part in listen.listen([sound[None]])]).tobytes()

    whole = rows()
    lengths = (300, 371, 430, 500)
    for length in lengths:
        monkeypatch.setattr(listen, "CHUNK_FRAMES", length)
        assert rows() == whole
    monkeypatch.setattr(listen, "MARGIN_FRAMES", 15)
    same = []
    for length in lengths:
        monkeypatch.setattr(listen, "CHUNK_FRAMES", length)
        same.append(rows() == whole)
    assert not all(same)


def test_a_tone_that_never_stops_is_handed_on_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen, "CHUNK_FRAMES", 500)
    monkeypatch.setattr(listen, "MOST_ROWS", 600)
    tone = harmonic_sound(173.0, duration_s=30.0, snr_db=10)
    most: list[int] = []
    for times in (2, 6):
        tracemalloc.start()
        n_rows = sum(part.rows.size for part in listen.listen(blocks(tone, times)))
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert n_rows > 0.98 * times * 3000
    # What is kept of 120 s more would be 2.9 MB more.
    assert most[1] < most[0] + 1e6


@pytest.mark.parametrize("name", ["noise", "tone"])
def test_work_grows_in_step_with_the_recording(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed: frames transformed and frames tracked, per second of sound."""
    done = {"transformed": 0, "tracked": 0}
    log_power, best_paths = spectrum.log_power, track.best_paths

    def counted_power(
        samples: NDArray[np.float32], *, step: int = 1, size: int = spectrum.FFT_SIZE
    ) -> NDArray[np.float32]:
        out = log_power(samples, step=step, size=size)
        done["transformed"] += out.shape[0]
        return out

    def counted_paths(saliences: Sequence[NDArray[np.float32]]) -> list[NDArray[np.int64]]:
        done["tracked"] += sum(salience.shape[0] for salience in saliences)
        return best_paths(saliences)

    monkeypatch.setattr(spectrum, "log_power", counted_power)
    monkeypatch.setattr(track, "best_paths", counted_paths)
    sound = noise(60) if name == "noise" else harmonic_sound(150.0, duration_s=60.0, snr_db=10)
    per_second = []
    for times in (1, 2, 4):
        done.update(transformed=0, tracked=0)
        for _ in listen.listen(blocks(sound, times)):
            pass
        per_second.append((done["transformed"] / (60 * times), done["tracked"] / (60 * times)))
    overlap = 1 + 2 * listen.MARGIN_FRAMES / listen.CHUNK_FRAMES
    looks = 100 / scout.STEP_FRAMES * overlap
    for transformed, tracked in per_second:
        share = 0.1 if name == "noise" else 1.02
        assert looks / overlap < transformed < 1.02 * looks + share * 100 * overlap
        assert tracked < share * 100 * overlap
