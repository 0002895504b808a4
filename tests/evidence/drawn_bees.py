"""Bees, observers and clips drawn from a fauna's tables, for the calibration tests and benchmark.

Written straight from the tables and the model's description, forwards (bee -> tone, bee -> report), and
not with the likelihood code it is meant to check.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.evidence import ToneCue
from wingtone.evidence import observe as obs
from wingtone.evidence.bands import bands_given_parts
from wingtone.evidence.doing import going_in
from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import ELSE_SHARE
from wingtone.evidence.tone_size import CLASS_BOUNDS_MM, ELSE_HIGH_HZ, ELSE_LOW_HZ
from wingtone.fauna import week_of
from wingtone.notebook.places import Place

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.fauna import Fauna

POINTS = (
    (51.5, -0.1),
    (51.2, 1.0),
    (50.4, -4.2),
    (52.5, -1.9),
    (53.4, -2.3),
    (54.9, -1.6),
    (55.9, -3.2),
    (57.2, -3.8),
    (53.3, -6.3),
    (52.3, -9.6),
    (57.7, -7.3),
)
"""Towns and islands over the British Isles (memory), where bees are met in the benchmark."""
EVERY_DAYS = 3
PARTS = ("collar", "scutellum", "front-band")


@dataclass(frozen=True)
class Trouble:
    """How the world differs from what the program believes. The default: not at all."""

    abundance_ln_sd: float = 0.0
    wrong_hints: float = 0.0
    tone_factor: float = 1.0
    early_weeks: float = 0.0


VARIANTS = {
    "as the model": Trouble(),
    "other abundance": Trouble(abundance_ln_sd=0.8),
    "15 % wrong hints": Trouble(wrong_hints=0.15),
    "tones 8 % higher": Trouble(tone_factor=1.08),
    "tones 8 % lower": Trouble(tone_factor=1 / 1.08),
    "season three weeks early": Trouble(early_weeks=3.0),
}


@dataclass(frozen=True)
class DrawnBee:
    """The evidence of one bee (keywords of `identify`), and the truth."""

    evidence: dict[str, Any]
    taxon: str
    caste: str
    is_bumblebee: bool
    itd_mm: float


class World:
    """Draws bees from a fauna."""

    def __init__(self, fauna: Fauna, *, seed: int = 1, trouble: Trouble | None = None) -> None:
        self.fauna = fauna
        self.rng = np.random.default_rng(seed)
        self.trouble = trouble or Trouble()
        self.places: list[Place | None] = [None] * 3
        self.places += [Place(lat, lon, 1000.0, None, f"{lat},{lon}") for lat, lon in POINTS]
        start = dt.date(2025, 1, 2)
        self.days = [start + dt.timedelta(days=k) for k in range(0, 364, EVERY_DAYS)]
        factor = {
            taxon: math.exp(self.trouble.abundance_ln_sd * self.rng.standard_normal())
            for taxon in dict.fromkeys(entry.taxon for entry in fauna.entries)
        }
        self.factor = np.array([factor[entry.taxon] for entry in fauna.entries])
        self._met: dict[Place | None, NDArray[np.float64]] = {}

    def met(self, place: Place | None) -> NDArray[np.float64]:
        """How many of each entry are met each day, shape (n_days, n_entries)."""
        if place not in self._met:
            at = (None, None) if place is None else (place.latitude_deg, place.longitude_deg)
            total = np.zeros((len(self.days), len(self.fauna.entries)))
            for region, weight in self.fauna.region_of(*at).items():
                if weight < 1e-4:
                    continue
                latitude = self._latitude(region) if place is None else place.latitude_deg
                weeks = [week_of(day) + self.trouble.early_weeks for day in self.days]
                season = [self.fauna.season((week - 1.0) % 52.1775 + 1.0, latitude) for week in weeks]
                total += weight * self.fauna.abundance(region) * np.array(season)
            self._met[place] = total * self.factor
        return self._met[place]

    def _latitude(self, region: str) -> float:
        boxes = [box for box in self.fauna.boxes if box.region == region]
        return float(np.average([sum(b.latitude_deg) / 2 for b in boxes], weights=[b.share for b in boxes]))

    def draw(
        self, *, n_hints: int | None = None, with_tone: float = 0.85, with_date: float = 0.9
    ) -> DrawnBee:
        """Draw one bee and what was noted of it."""
        rng = self.rng
        place = self.places[rng.integers(len(self.places))]
        met = self.met(place)
        day = int(rng.choice(len(self.days), p=met.sum(axis=1) / met.sum()))
        date = self.days[day]
        known = rng.random() >= ELSE_SHARE
        index = int(rng.choice(met.shape[1], p=met[day] / met[day].sum())) if known else -1
        evidence: dict[str, Any] = {"place": place, "date": date if rng.random() < with_date else None}
        itd = self._itd(index) if known else math.nan
        if rng.random() < with_tone:
            evidence["temperature_c"] = float(rng.uniform(8, 28)) if rng.random() < 0.5 else None
            evidence["tone"] = self._tone(index, itd, evidence["temperature_c"])
        # the fading a person meets is that of the true date, known or not
        evidence["hints"] = self._hints(index, itd, date, n_hints)
        if not known:
            return DrawnBee(evidence, "something else", "any", is_bumblebee=False, itd_mm=math.nan)
        entry = self.fauna.entries[index]
        return DrawnBee(evidence, entry.taxon, entry.caste, entry.is_bumblebee, itd)

    def _itd(self, index: int) -> float:
        mean, sd = self.fauna.itd_mean_mm[index], self.fauna.itd_sd_mm[index]
        var = math.log(1 + (sd / mean) ** 2)
        return float(mean * math.exp(math.sqrt(var) * self.rng.standard_normal() - var / 2))

    def _tone(self, index: int, itd_mm: float, temperature_c: float | None) -> ToneCue:
        rng, model = self.rng, self.fauna.tone_model
        normal = rng.standard_normal
        n_bouts = int(rng.integers(1, 5))
        if index < 0:
            f0 = math.exp(rng.uniform(math.log(ELSE_LOW_HZ), math.log(ELSE_HIGH_HZ)))
        elif parts := self.fauna.tone_override[index]:
            mean, sd, _ = parts[rng.choice(len(parts), p=[part[2] for part in parts])]
            var = math.log(1 + (sd / mean) ** 2)
            f0 = mean * math.exp(math.sqrt(var) * normal() - var / 2)
        else:
            mean_mm, sd_mm = self.fauna.itd_mean_mm[index], self.fauna.itd_sd_mm[index]
            itd_var = math.log(1 + (sd_mm / mean_mm) ** 2)
            typical_mm = mean_mm * math.exp(-itd_var / 2)
            exponent, exponent_sd = model["exponent"]
            away = math.log(typical_mm / model["anchor_itd_mm"][0])
            centre = model["anchor_f0_hz"][0] * math.exp(exponent * away)
            sd2 = model["sd_line"][0] ** 2 + model["sd_between"][0] ** 2 + model["sd_wear"][0] ** 2
            sd2 += (exponent_sd * away) ** 2
            total = sd2 + (model["within_caste"][0] * exponent) ** 2 * itd_var + model["sd_within"][0] ** 2
            sd2 += max(math.log(1 + (model["sd_total_min_hz"][0] / centre) ** 2) - total, 0.0)
            f0 = centre * (itd_mm / typical_mm) ** (model["within_caste"][0] * exponent)
            f0 *= math.exp(math.sqrt(sd2) * normal())
        f0 *= math.exp(model["sd_within"][0] * normal() / math.sqrt(n_bouts))
        usual = model["reference_temperature_c"][0]
        degrees = rng.normal(0, 5) if temperature_c is None else temperature_c - usual
        f0 += model["temperature_slope_hz_per_c"][1] * normal() * degrees
        f0 = max(f0, 25.0) * self.trouble.tone_factor
        error = float(rng.uniform(0.004, 0.03))
        heard = f0 * math.exp(error * normal())
        half = math.exp(1.96 * error)
        return ToneCue(heard, heard / half, heard * half, n_bouts=n_bouts, duration_s=2.0)

    def _hints(self, index: int, itd_mm: float, date: dt.date, n_hints: int | None) -> dict[str, str]:
        rng, characters = self.rng, self.fauna.characters
        asked = [name for name in characters if name != obs.CONDITION]
        weight = np.array([{1: 4.0, 2: 2.0, 3: 1.0}[characters[name].ease] for name in asked])
        weight /= weight.sum()
        some = int(rng.choice([0, 1, 2, 3, 4, 6], p=[0.15, 0.15, 0.2, 0.2, 0.15, 0.15]))
        count = some if n_hints is None else n_hints
        chosen = {asked[i] for i in rng.choice(len(asked), size=count, replace=False, p=weight)}
        condition = None
        if obs.CONDITION in characters and rng.random() < 0.15:
            condition = str(rng.choice(["fresh", "faded", "bald"]))
        fading = obs.fading_chance(week_of(date), condition)
        seen: dict[str, str] = {}
        loaded = self._true("hind-leg", index)
        for name in (name for name in characters if name in chosen and name not in ("bands", "nest")):
            true = {"hind-leg": loaded, "behaviour": self._behaviour(index, loaded)}.get(name)
            seen[name] = self._report(name, index, itd_mm, fading, condition, true=true)
        if "nest" in chosen and self._goes_in(index, seen.get("behaviour") or self._of_it(index, loaded)):
            seen["nest"] = self._report("nest", index, itd_mm, fading, condition)
        if "bands" in chosen:
            seen["bands"] = self._bands(index, fading, condition, seen)
        if condition:
            seen[obs.CONDITION] = condition
        return seen

    def _true(self, name: str, index: int) -> str | None:
        if index < 0:
            return None
        return str(self.rng.choice(self.fauna.characters[name].states, p=self.fauna.appearance(name)[index]))

    def _behaviour(self, index: int, legs: str | None) -> str | None:
        """Draw what a bee does, its legs being known: 85 in 100 with a load of pollen collect it."""
        if index < 0:
            return None
        states = self.fauna.characters["behaviour"].states
        usual = self.fauna.appearance("behaviour")[index]
        work = usual[states.index("collecting-pollen")]
        load = self.fauna.appearance("hind-leg")[index][
            self.fauna.characters["hind-leg"].states.index("pollen")
        ]
        both = min(load * max(0.85, work), work)
        collects = both / load if legs == "pollen" else (work - both) / (1.0 - load)
        if self.rng.random() < collects:
            return "collecting-pollen"
        rest = np.array(
            [
                0.0 if state == "collecting-pollen" else share
                for state, share in zip(states, usual, strict=True)
            ]
        )
        return str(self.rng.choice(states, p=rest / rest.sum()))

    def _of_it(self, index: int, legs: str | None) -> str:
        return self._report("behaviour", index, math.nan, 0.0, None, true=self._behaviour(index, legs))

    def _goes_in(self, index: int, behaviour: str) -> bool:
        """Draw whether a bee is seen to go in; what goes in nowhere leaves nothing to tell of its nest."""
        state = self.fauna.characters["behaviour"].states.index(behaviour)
        return bool(self.rng.random() < going_in(line_up(self.fauna))[index, state])

    def _report(
        self,
        name: str,
        index: int,
        itd_mm: float,
        fading: float,
        condition: str | None,
        *,
        true: str | None = None,
    ) -> str:
        rng, states = self.rng, self.fauna.characters[name].states
        worn = name in obs.HAIR_CHARACTERS and condition == "bald" and rng.random() < obs.BALD_NOISE
        if index < 0 or worn:
            said = str(rng.choice(states))
        elif name == obs.SIZE:
            perceived = itd_mm * math.exp(obs.SIZE_BY_EYE_SD * rng.standard_normal())
            said = obs.SIZE_STATES[int(np.searchsorted(CLASS_BOUNDS_MM, perceived))]
        else:
            true = true or str(rng.choice(states, p=self.fauna.appearance(name)[index]))
            said = self._mistake(name, self._fade(name, true, fading))
        return self._perhaps_wrong(name, said)

    def _bands(self, index: int, fading: float, condition: str | None, seen: dict[str, str]) -> str:
        """Look at all three parts, then tell a number that goes with how many looked yellow."""
        parts = {
            part: seen.get(part) or self._report(part, index, math.nan, fading, condition) for part in PARTS
        }
        bald = obs.BALD_NOISE if condition == "bald" else 0.0
        given = bands_given_parts(line_up(self.fauna), parts, fading=fading, bald=bald)[index]
        said = str(self.rng.choice(self.fauna.characters["bands"].states, p=given / given.sum()))
        return self._perhaps_wrong("bands", said)

    def _perhaps_wrong(self, name: str, said: str) -> str:
        if self.rng.random() >= self.trouble.wrong_hints:
            return said
        return str(self.rng.choice([state for state in self.fauna.characters[name].states if state != said]))

    def _fade(self, name: str, state: str, fading: float) -> str:
        return self.fauna.characters[name].fades_to.get(state, state) if self.rng.random() < fading else state

    def _mistake(self, name: str, state: str) -> str:
        character, rng = self.fauna.characters[name], self.rng
        if rng.random() >= character.error[state]:
            return state
        others = [other for other in character.states if other != state]
        alike = [other for other in others if other in character.looks_like.get(state, ())]
        return str(rng.choice(alike if alike and rng.random() < obs.LOOK_ALIKE_SHARE else others))
