"""Records: their checks, their JSON, and how an answer fills one."""

from __future__ import annotations

import json
import math
import uuid
from typing import Any

import pytest
from hypothesis import given

from notebook.examples import ANSWER, TONE, example, records
from wingtone.errors import DateError, RequestError
from wingtone.notebook.records import Record, dumps, from_json, new_id, record_from_answer, sex_of, to_json


@given(records())
def test_any_record_survives_json(record: Record) -> None:
    assert from_json(json.loads(dumps(record))) == record
    assert from_json(to_json(record)) == record


def test_an_answer_fills_a_record() -> None:
    record = record_from_answer(ANSWER, tone=TONE, recorder="A. Recorder", hints={"tail": "buff"})
    assert (record.taxon, record.rank) == ("Bombus terrestris", "species")
    assert (record.caste, record.sex) == ("queen", "female")
    assert record.vernacular == "buff-tailed bumblebee"
    assert record.status == "hint"
    assert record.event_date == "2026-03-20T10:32:05+00:00"
    assert record.recording is not None
    assert [bout.kind for bout in record.recording.bouts] == ["flight", "sonication"]
    assert record.recording.bouts[0].f0_low_hz == 144.9
    assert record.answer == ANSWER


def test_what_is_known_goes_before_the_answer() -> None:
    record = record_from_answer(ANSWER, taxon="Bombus lucorum", caste="", event_date="2026-03-19")
    assert (record.taxon, record.caste, record.event_date) == ("Bombus lucorum", "", "2026-03-19")


def test_a_doubtful_caste_is_left_open() -> None:
    castes = [{"caste": "queen", "probability": 0.7}, {"caste": "worker", "probability": 0.3}]
    assert record_from_answer({**ANSWER, "castes": castes}).caste == ""


def test_the_time_of_the_file_is_no_date() -> None:
    weak = {**ANSWER["recording"], "recorded_at_source": "file time"}
    record = record_from_answer({**ANSWER, "recording": weak})
    assert record.event_date == ""
    assert record.recording is not None
    assert record.recording.recorded_at == ""  # so that nothing that is handed on has it


def test_an_answer_without_name_or_recording_fills_little() -> None:
    record = record_from_answer({"record_as": {"taxon": None, "rank": "none"}})
    assert (record.taxon, record.recording, record.caste) == ("", None, "")


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"caste": "drone"}, "caste"),
        ({"sex": "f"}, "sex"),
        ({"status": ""}, "status"),
        ({"status": "sure"}, "status"),
        ({"rank": "family"}, "rank"),
        ({"notes": "\ud800"}, "notes"),
        ({"hints": {"tail": "\udc00"}}, "hints"),
        ({"notes": "x" * 100_001}, "notes"),
        ({"temperature_c": math.nan}, "temperature_c"),
    ],
)
def test_what_cannot_be_right_is_refused(changes: dict[str, Any], where: str) -> None:
    with pytest.raises(RequestError) as caught:
        example(**changes)
    assert caught.value.where == where


def test_a_date_is_tidied_or_refused() -> None:
    assert example(event_date="20/03/2026").event_date == "2026-03-20"
    with pytest.raises(DateError):
        example(event_date="spring")


def test_only_plain_json_is_kept_as_an_answer() -> None:
    with pytest.raises(RequestError, match="not plain JSON"):
        dumps(example(answer={"size": math.nan}))
    with pytest.raises(RequestError, match="not plain JSON"):
        dumps(example(answer={"size": object()}))


@pytest.mark.parametrize(
    "body", [{}, {"schema": "wingtone/record/2"}, {"schema": "wingtone/record/1", "wings": 4}]
)
def test_another_layout_is_refused(body: dict[str, Any]) -> None:
    with pytest.raises(RequestError):
        from_json(body)


def test_ids_are_random_uuids() -> None:
    assert uuid.UUID(new_id()).version == 4
    assert new_id() != new_id()


def test_sex_of_each_caste() -> None:
    # Handbook facts: queens and workers are females; the term list gives sex = male for a male bee.
    assert [sex_of(caste) for caste in ("queen", "worker", "cuckoo female")] == ["female"] * 3
    assert [sex_of(caste) for caste in ("male", "", "not a bumblebee")] == ["male", "", ""]
