"""Whole made-up recordings with their truth.

A `Scene` says what happens: buzzes, other sounds, the phone. `render` turns it into a `Clip`. `make_scene`
draws a scene for one of the named `CONDITIONS`; `negative_scene` draws one without any bee.

Conventions
-----------
**Signal-to-noise ratio.** ``snr_db`` is the power of all flight (harmonics and rush of air) over the power of
everything else, both band-passed to 90-2000 Hz and averaged over channels and over the frames in which
flight is heard. Both are taken behind the linear part of the phone (high-pass, telephone band), before gain
control, gate, clipping and codec. Sonication keeps its level relative to flight and counts on neither side.

**Frames.** The truth stands on a grid of 10 ms, ``time_s = 0, 0.01, ...``. A frame belongs to a bout while
the bout's level at the first microphone is within 15 dB of its own maximum.

**Seeds.** A whole number gives the same clip bit for bit on the same machine and library versions; the same
seed at another ``snr_db`` gives the same bee and the same noise in other proportions.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from wingtone.simulate.flight import (
    AUDIBLE_DB,
    Bee,
    Buzz,
    Heard,
    Hover,
    Pass,
    draw_bee,
    draw_sonication,
    hear,
)
from wingtone.simulate.microphone import Phone, linear, process
from wingtone.simulate.signals import amplitude, mean_square_in_band
from wingtone.simulate.surroundings import SOUNDS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

__all__ = [
    "CONDITIONS",
    "NEGATIVES",
    "SNR_BAND_HZ",
    "Clip",
    "Scene",
    "TrueBout",
    "Truth",
    "make_scene",
    "negative_scene",
    "render",
]

SNR_BAND_HZ = (90.0, 2000.0)
"""Band of the signal-to-noise ratio."""

_FRAME_S = 0.01


@dataclass(frozen=True)
class Scene:
    """What happens in a recording.

    Attributes
    ----------
    name
        The condition, or the kind of a negative scene.
    buzzes
        Every buzz of every bee.
    sounds
        Other sounds: name in `SOUNDS` and level in dB relative to each other (whole band).
    phone, temperature_c
        What records it, and the air (15 °C when nothing is said).
    """

    name: str
    buzzes: tuple[Buzz, ...]
    sounds: tuple[tuple[str, float], ...]
    phone: Phone = field(default_factory=Phone)
    temperature_c: float = 15.0


@dataclass(frozen=True)
class TrueBout:
    """One stretch as it is heard.

    ``f0_hz`` is the median tone heard, ``f0_source_hz`` the median tone the bee makes (they differ by the
    Doppler effect).
    """

    kind: Literal["flight", "sonication"]
    start_s: float
    end_s: float
    f0_hz: float
    f0_source_hz: float
    individual: int
    label: str
    path: Hover | Pass


@dataclass(frozen=True)
class Truth:
    """What is known about a clip.

    Attributes
    ----------
    time_s : shape (n_frames,)
        0, 0.01, 0.02, ...
    f0_hz, second_f0_hz : shape (n_frames,)
        Wingbeat frequency heard from the louder and from a second flying bee; NaN where there is none.
    sonication_hz : shape (n_frames,)
        Tone of a bee shaking a flower; NaN where there is none.
    bouts
        In order of time; empty in a negative scene.
    snr_db
        As asked for; NaN in a negative scene.
    """

    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.float64]
    second_f0_hz: NDArray[np.float64]
    sonication_hz: NDArray[np.float64]
    bouts: tuple[TrueBout, ...]
    snr_db: float


@dataclass(frozen=True)
class Clip:
    """A made-up recording.

    Attributes
    ----------
    samples : shape (n_channels, n), float32
        What the phone stores, full scale 1.
    rate_hz : int
    truth, scene
    flight, rest : shape (n_channels, n), float32
        The flight alone and everything else that is neither flight nor sonication, at their level in
        ``samples`` before the non-linear stages of the phone.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    truth: Truth
    scene: Scene
    flight: NDArray[np.float32]
    rest: NDArray[np.float32]


def make_scene(
    seed: int | np.random.Generator,
    *,
    condition: str = "hover",
    snr_db: float = 10.0,
    duration_s: float = 10.0,
    rate_hz: int = 16000,
    f0_hz: float | None = None,
) -> Clip:
    """Draw a recording with at least one flying bee.

    Parameters
    ----------
    seed
        A whole number, or a generator to draw from.
    condition
        One of `CONDITIONS`.
    snr_db
        See the head of this module. Infinity leaves only the bee.
    duration_s
        At least 2 s.
    f0_hz
        Usual tone of the (first) bee; drawn from 100-220 Hz when left out.

    Raises
    ------
    ValueError
        For an unknown condition or too short a clip.
    """
    if condition not in _SCENES:
        raise ValueError(f"no condition {condition!r}: choose one of {', '.join(CONDITIONS)}")
    if duration_s < 2.0:
        raise ValueError(f"a scene needs at least 2 s, not {duration_s}")
    rng = _generator(seed, condition)
    bee = draw_bee(rng, f0_hz=f0_hz)
    scene = replace(_SCENES[condition](rng, bee, duration_s), name=condition)
    return render(scene, rng, snr_db=snr_db, duration_s=duration_s, rate_hz=rate_hz)


def negative_scene(
    seed: int | np.random.Generator, *, kind: str = "mixed", duration_s: float = 10.0, rate_hz: int = 16000
) -> Clip:
    """Draw a recording without any flying bee near it.

    Parameters
    ----------
    kind
        One of `NEGATIVES`: a name of `SOUNDS`, or ``mixed`` for two or three of them (never the hive). The
        ``hive`` is many bees at once: no single tone is to be found there.

    Raises
    ------
    ValueError
        For an unknown kind.
    """
    if kind not in NEGATIVES:
        raise ValueError(f"no kind {kind!r}: choose one of {', '.join(NEGATIVES)}")
    rng = _generator(seed, "negative " + kind)
    if kind == "mixed":
        names = rng.choice(
            [name for name in SOUNDS if name != "hive"], int(rng.integers(2, 4)), replace=False
        )
        sounds = tuple((str(name), float(rng.uniform(-10.0, 0.0))) for name in names)
    else:
        sounds = ((kind, 0.0), ("hiss", float(rng.uniform(-35.0, -15.0))))
    phone = _draw_phone(rng, level_db=float(rng.uniform(-38.0, -20.0)))
    scene = Scene(kind, (), sounds, phone)
    return render(scene, rng, snr_db=float("nan"), duration_s=duration_s, rate_hz=rate_hz)


def render(
    scene: Scene, seed: int | np.random.Generator, *, snr_db: float, duration_s: float, rate_hz: int
) -> Clip:
    """Let it happen.

    ``snr_db`` is ignored when no flight is heard; sounds then keep the level of the phone.
    """
    rng = _generator(seed, scene.name)
    n, n_channels = round(duration_s * rate_hz), scene.phone.n_microphones
    flight, shaking, rest = (np.zeros((n_channels, n)) for _ in range(3))
    heard = []
    for buzz in scene.buzzes:
        sound = hear(
            buzz,
            rng,
            duration_s=duration_s,
            rate_hz=rate_hz,
            microphones_m=scene.phone.microphones_m,
            temperature_c=scene.temperature_c,
        )
        into = flight if buzz.kind == "flight" else shaking
        into[:, sound.first : sound.first + sound.samples.shape[1]] += sound.samples
        heard.append(sound)
    for name, level_db in scene.sounds:
        rest += amplitude(level_db) * SOUNDS[name](rng, n, rate_hz, n_channels)
    flight, shaking, rest = (linear(x, scene.phone, rate_hz=rate_hz) for x in (flight, shaking, rest))

    truth = _truth(scene, heard, n_frames=int(np.floor(duration_s / _FRAME_S + 1e-9)), snr_db=snr_db)
    frame_of = np.rint(np.arange(n) / (rate_hz * _FRAME_S)).astype(int)
    flying = np.isfinite(truth.f0_hz)[np.minimum(frame_of, truth.f0_hz.size - 1)]
    low, high = SNR_BAND_HZ
    signal = mean_square_in_band(flight, rate_hz=rate_hz, low_hz=low, high_hz=high, where=flying)
    noise = mean_square_in_band(rest, rate_hz=rate_hz, low_hz=low, high_hz=high, where=flying)
    if signal > 0 and noise > 0:
        rest *= np.sqrt(signal / noise) / amplitude(snr_db)
    mixed = flight + shaking + rest
    size = np.sqrt(np.mean(mixed**2))
    gain = amplitude(scene.phone.level_db) / size if size > 0 else 1.0
    samples = process(gain * mixed, scene.phone, rate_hz=rate_hz)
    return Clip(
        samples.astype(np.float32),
        rate_hz,
        truth,
        scene,
        (gain * flight).astype(np.float32),
        (gain * rest).astype(np.float32),
    )


def _truth(scene: Scene, heard: Sequence[Heard], *, n_frames: int, snr_db: float) -> Truth:
    time_s = np.asarray(np.arange(n_frames) * _FRAME_S, dtype=float)
    f0, second, shaking = np.full((3, n_frames), np.nan)
    bouts = []
    loudness = [float(sound.level_db.max()) for sound in heard]
    for k in sorted(range(len(heard)), key=lambda k: -loudness[k]):
        buzz, sound = scene.buzzes[k], heard[k]
        audible = sound.level_db >= loudness[k] + AUDIBLE_DB
        at = np.rint((time_s - sound.time_s[0]) / (sound.time_s[1] - sound.time_s[0])).astype(int)
        frames = np.flatnonzero((at >= 0) & (at < audible.size))
        frames = frames[audible[at[frames]]]
        if not frames.size:
            continue
        tone = sound.f0_hz[at[frames]]
        if buzz.kind == "sonication":
            shaking[frames] = tone
        else:
            free = np.isnan(f0[frames])
            f0[frames[free]] = tone[free]
            second[frames[~free]] = tone[~free]
        bouts.append(
            TrueBout(
                kind=buzz.kind,
                start_s=float(time_s[frames[0]]),
                end_s=float(time_s[frames[-1]]),
                f0_hz=float(np.median(tone)),
                f0_source_hz=float(np.median(sound.source_hz[at[frames]])),
                individual=buzz.bee.individual,
                label=buzz.bee.label,
                path=buzz.path,
            )
        )
    return Truth(time_s, f0, second, shaking, tuple(sorted(bouts, key=lambda b: b.start_s)), snr_db)


# ---------------------------------------------------------------------------------------------------------
# conditions


def _spans(
    rng: np.random.Generator,
    duration_s: float,
    *,
    length_s: tuple[float, float] = (1.0, 4.0),
    gap_s: tuple[float, float] = (0.4, 1.5),
) -> list[tuple[float, float]]:
    """Stretches of flight: at least one, none nearer than 0.15 s to the ends."""
    spans = []
    time_s = float(rng.uniform(0.15, min(1.0, 0.2 * duration_s)))
    while duration_s - 0.15 - time_s > min(length_s[0], 0.5 * duration_s):
        end_s = min(time_s + float(rng.uniform(*length_s)), duration_s - 0.15)
        spans.append((time_s, end_s))
        time_s = end_s + float(rng.uniform(*gap_s))
    return spans


def _hovers(
    rng: np.random.Generator,
    bee: Bee,
    spans: Sequence[tuple[float, float]],
    *,
    glide: float = 0.02,
    take_off: float = 0.03,
    level_db: float = 0.0,
) -> tuple[Buzz, ...]:
    distance_m = float(rng.uniform(0.1, 0.6))
    return tuple(
        Buzz(
            kind="flight",
            bee=bee,
            start_s=start_s,
            end_s=end_s,
            path=Hover(distance_m * float(np.exp(rng.normal(0.0, 0.15)))),
            glide=float(rng.normal(0.0, glide)),
            take_off=float(abs(rng.normal(0.0, take_off))),
            ramp_s=float(rng.uniform(0.03, 0.12)),
            level_db=level_db,
        )
        for start_s, end_s in spans
    )


def _draw_phone(rng: np.random.Generator, *, level_db: float = -26.0, n_microphones: int = 1) -> Phone:
    corner = float(np.exp(rng.uniform(np.log(60.0), np.log(200.0))))
    return Phone(high_pass_hz=corner, level_db=level_db, n_microphones=n_microphones)


def _ordinary(
    *sounds: tuple[str, float], n_microphones: int = 1
) -> Callable[[np.random.Generator, Bee, float], Scene]:
    """Build a condition with nothing special about the bee: only the sounds differ."""

    def scene(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
        phone = _draw_phone(rng, n_microphones=n_microphones)
        return Scene("", _hovers(rng, bee, _spans(rng, duration_s)), sounds, phone)

    return scene


def _with_phone(
    *sounds: tuple[str, float],
    narrow_band: bool = False,
    automatic_gain: bool = False,
    noise_gate: bool = False,
    level_db: float = -26.0,
) -> Callable[[np.random.Generator, Bee, float], Scene]:
    """Build a condition that lies in the phone."""
    ordinary = _ordinary(*sounds)

    def scene(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
        plain = ordinary(rng, bee, duration_s)
        phone = replace(
            plain.phone,
            narrow_band=narrow_band,
            automatic_gain=automatic_gain,
            noise_gate=noise_gate,
            level_db=level_db,
        )
        return replace(plain, phone=phone)

    return scene


def _wander(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    restless = replace(bee, wander=float(rng.uniform(0.04, 0.06)), wander_hz=float(rng.uniform(1.0, 3.0)))
    return Scene("", _hovers(rng, restless, _spans(rng, duration_s)), (("hiss", 0.0),), _draw_phone(rng))


def _glide(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    buzzes = _hovers(rng, bee, _spans(rng, duration_s, length_s=(0.6, 2.5)), glide=0.08, take_off=0.06)
    return Scene("", buzzes, (("hiss", 0.0),), _draw_phone(rng))


def _fly_by(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    steady = replace(bee, wander=0.004, wander_hz=0.5)
    buzzes = []
    time_s = 0.15
    while True:
        speed, closest = float(rng.uniform(2.0, 6.0)), float(rng.uniform(0.25, 1.0))
        half = min(max(0.5, 5.0 * closest / speed), 0.5 * duration_s - 0.2)
        if time_s + 2 * half > duration_s - 0.1:
            break
        path = Pass(speed, closest, time_s + half)
        buzzes.append(Buzz("flight", steady, time_s, time_s + 2 * half, path, ramp_s=0.1))
        time_s += 2 * half + float(rng.uniform(0.3, 1.2))
    return Scene("", tuple(buzzes), (("hiss", 0.0),), _draw_phone(rng))


def _with_harmonic(bee: Bee, order: int, level_db: float) -> Bee:
    levels = list(bee.harmonics_db)
    levels[order - 1] = level_db
    return replace(bee, harmonics_db=tuple(levels))


def _second_harmonic(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    odd = _with_harmonic(bee, 2, float(rng.uniform(10.0, 18.0)))
    return Scene("", _hovers(rng, odd, _spans(rng, duration_s)), (("hiss", 0.0),), _draw_phone(rng))


def _no_fundamental(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    cut = _with_harmonic(bee, 1, float(rng.uniform(-40.0, -25.0)))
    phone = replace(_draw_phone(rng), high_pass_hz=250.0)
    return Scene("", _hovers(rng, cut, _spans(rng, duration_s)), (("hiss", 0.0),), phone)


def _two_bees(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    ratio = float(np.exp(rng.choice([-1.0, 1.0]) * rng.uniform(0.08, 0.35)))
    tone = float(np.clip(bee.f0_hz * ratio, 95.0, 240.0))
    other = replace(draw_bee(rng, f0_hz=tone), individual=2)
    buzzes = _hovers(rng, bee, _spans(rng, duration_s))
    more = _hovers(rng, other, _spans(rng, duration_s), level_db=float(rng.uniform(-10.0, 0.0)))
    return Scene("", buzzes + more, (("hiss", 0.0),), _draw_phone(rng))


def _sonication(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    arrive, leave = 0.35 * duration_s, 0.75 * duration_s
    flights = _hovers(rng, bee, [(0.2, arrive), (leave, duration_s - 0.2)])
    pulses = draw_sonication(rng, bee, start_s=arrive + 0.15, end_s=leave - 0.15, distance_m=0.3)
    return Scene("", flights + pulses, (("hiss", 0.0), ("leaves", -6.0)), _draw_phone(rng))


def _short_bouts(rng: np.random.Generator, bee: Bee, duration_s: float) -> Scene:
    spans = _spans(rng, duration_s, length_s=(0.15, 0.5), gap_s=(0.3, 1.2))
    return Scene("", _hovers(rng, bee, spans), (("hiss", 0.0),), _draw_phone(rng))


_SCENES: dict[str, Callable[[np.random.Generator, Bee, float], Scene]] = {
    "hover": _ordinary(("hiss", 0.0)),
    "wander": _wander,
    "glide": _glide,
    "fly-by": _fly_by,
    "strong second harmonic": _second_harmonic,
    "missing fundamental": _no_fundamental,
    "steady wind": _ordinary(("wind", 0.0), ("hiss", -25.0)),
    "gusts": _ordinary(("gusts", 0.0), ("hiss", -30.0)),
    "stereo wind": _ordinary(("wind", 0.0), ("hiss", -25.0), n_microphones=2),
    "voices": _ordinary(("voices", 0.0), ("hiss", -15.0)),
    "mower": _ordinary(("mower", 0.0), ("hiss", -15.0)),
    "hum": _ordinary(("hum", 0.0), ("hiss", -3.0)),
    "traffic": _ordinary(("traffic", 0.0), ("hiss", -15.0)),
    "birds and crickets": _ordinary(("birds", 6.0), ("crickets", 3.0), ("hiss", 0.0)),
    "narrow band": _with_phone(("traffic", 0.0), ("hiss", -6.0), narrow_band=True),
    "noise gate": _with_phone(("wind", 0.0), ("hiss", -10.0), noise_gate=True),
    "automatic gain": _with_phone(("bumps", 0.0), ("wind", 0.0), ("hiss", -15.0), automatic_gain=True),
    "clipping": _with_phone(("wind", 0.0), ("hiss", -20.0), level_db=-3.0),
    "two bees": _two_bees,
    "sonication": _sonication,
    "short bouts": _short_bouts,
}

CONDITIONS: tuple[str, ...] = tuple(_SCENES)
"""Every named condition of `make_scene`."""

NEGATIVES: tuple[str, ...] = (*SOUNDS, "mixed")
"""Every kind of `negative_scene`."""


def _generator(seed: int | np.random.Generator, name: str) -> np.random.Generator:
    """Give a generator of its own to every (seed, name)."""
    if isinstance(seed, np.random.Generator):
        return seed
    return np.random.default_rng([seed, zlib.crc32(name.encode())])
