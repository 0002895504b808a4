"""Whatever is known: probabilities stay probabilities, order is irrelevant, nothing crashes."""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wingtone.evidence import ToneCue, identify
from wingtone.fauna import load
from wingtone.notebook.places import Place

if TYPE_CHECKING:
    import random

FAUNA = load()
HINTS = st.dictionaries(st.sampled_from(sorted(FAUNA.characters)), st.integers(0, 99), max_size=6).map(
    lambda picks: {
        name: FAUNA.characters[name].states[i % len(FAUNA.characters[name].states)]
        for name, i in picks.items()
    }
)
TONES = st.none() | st.builds(
    lambda f0, error, bouts: ToneCue(f0, f0 / (1 + error), f0 * (1 + error), n_bouts=bouts),
    st.floats(30, 900),
    st.floats(0, 0.3),
    st.integers(1, 30),
)
DATES = st.none() | st.dates(dt.date(1800, 1, 1), dt.date(2199, 12, 31))
PLACES = st.none() | st.builds(
    lambda lat, lon: Place(lat, lon, 1000.0, None, "here"), st.floats(-90, 90), st.floats(-180, 180)
)
KNOWN = st.fixed_dictionaries(
    {
        "tone": TONES,
        "date": DATES,
        "place": PLACES,
        "temperature_c": st.none() | st.floats(-30, 60),
        "hints": HINTS,
    }
)
quick = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@quick
@given(KNOWN)
def test_any_evidence_gives_a_whole_answer(known: dict[str, Any]) -> None:
    answer = identify(fauna=FAUNA, **known)
    for part in (answer.castes, answer.candidates, answer.taxa):
        assert sum(row.probability for row in part) == pytest.approx(1.0, abs=1e-9)
        assert all(0.0 <= row.probability <= 1.0 for row in part)
    assert 1 <= len(answer.credible_set.taxa) <= len(answer.taxa)
    json.dumps(answer.to_json(), allow_nan=False)


@quick
@given(KNOWN, st.randoms())
def test_order_of_the_hints_and_unseen_ones_change_nothing(
    known: dict[str, Any], shuffler: random.Random
) -> None:
    names = list(known["hints"])
    shuffler.shuffle(names)
    unseen = {name: "?" for name in FAUNA.characters if name not in names}
    other = known | {"hints": unseen | {name: known["hints"][name] for name in names}}
    assert identify(fauna=FAUNA, **other) == identify(fauna=FAUNA, **known)


@quick
@given(KNOWN)
def test_a_condition_alone_names_no_bee(known: dict[str, Any]) -> None:
    bare = known | {"hints": {}}
    worn = known | {"hints": {"condition": "faded"}}
    assert identify(fauna=FAUNA, **worn).taxa == identify(fauna=FAUNA, **bare).taxa


@quick
@given(KNOWN)
def test_a_size_interval_is_an_interval(known: dict[str, Any]) -> None:
    size = identify(fauna=FAUNA, **known).size
    if known["tone"] is None:
        assert size.itd_mm != size.itd_mm
    elif size.itd_mm == size.itd_mm:
        assert 1.0 < size.itd_low_mm < size.itd_mm < size.itd_high_mm < 12.0
