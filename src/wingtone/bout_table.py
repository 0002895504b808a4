"""Bouts as rows of a plain table, the same wherever a table of bouts is written.

One row a bout; what is said of the recording is repeated in each. Columns are those of the JSON layout
``wingtone/measure/1`` (see `wingtone.clip`), flattened. Unknown values are None.

- `COLUMNS`: the names, in order.
- `WHOLE_RECORDING`: the flag of a recording that each of its bouts gets too.
- `bout_rows`: the rows of one measurement.
- `csv_cell`, `csv_values`: a value and a row as CSV cells. Lists are joined with semicolons; text that a
  spreadsheet would run has an apostrophe in front, which our own readers take off again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wingtone.csv_text import safe_for_spreadsheets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wingtone.clip import Measurement

__all__ = [
    "BOUT_COLUMNS",
    "COLUMNS",
    "FLYBY_COLUMNS",
    "RECORDING_COLUMNS",
    "WHOLE_RECORDING",
    "bout_rows",
    "csv_cell",
    "csv_values",
]

RECORDING_COLUMNS = (
    "path",
    "sha256",
    "duration_s",
    "sample_rate_hz",
    "channels",
    "codec",
    "recorded_at",
    "recorded_at_source",
)
BOUT_COLUMNS = (
    "kind",
    "start_s",
    "end_s",
    "f0_hz",
    "f0_low_hz",
    "f0_high_hz",
    "f0_spread_hz",
    "snr_db",
    "harmonics_db",
    "flight_probability",
)
FLYBY_COLUMNS = (
    "f0_source_hz",
    "f0_source_low_hz",
    "f0_source_high_hz",
    "speed_m_s",
    "speed_low_m_s",
    "speed_high_m_s",
    "closest_m",
    "closest_low_m",
    "closest_high_m",
    "at_s",
)
COLUMNS = (*RECORDING_COLUMNS, *BOUT_COLUMNS, *FLYBY_COLUMNS, "flags")

WHOLE_RECORDING = "many bees"
"""Where no single bee can be followed, each bout says so, as a table has no other place for it."""


def bout_rows(measurement: Measurement) -> list[dict[str, Any]]:
    """Flatten a measurement to a row a bout.

    Returns
    -------
    list of dict
        In order of time, each with the keys `COLUMNS`. ``harmonics_db`` is a list of floats and None,
        ``flags`` a list of strings, `WHOLE_RECORDING` among them. Empty when there is no bout.
    """
    from wingtone.clip import measure_json

    laid_out = measure_json(measurement)
    recording = {name: laid_out["recording"][name] for name in RECORDING_COLUMNS}
    of_all = [flag for flag in measurement.flags if flag == WHOLE_RECORDING]
    return [
        {
            **recording,
            **{name: bout[name] for name in BOUT_COLUMNS},
            **{name: (bout["flyby"] or {}).get(name) for name in FLYBY_COLUMNS},
            "flags": [*bout["flags"], *of_all],
        }
        for bout in laid_out["bouts"]
    ]


def csv_cell(value: Any) -> Any:
    """Lay a value out as a CSV cell, None as nothing within a list and as None by itself.

    Lists hold numbers and words of ours; single texts, such as paths, may be anybody's.
    """
    if isinstance(value, list):
        return ";".join("" if item is None else str(item) for item in value)
    return safe_for_spreadsheets(value) if isinstance(value, str) else value


def csv_values(row: Mapping[str, Any]) -> list[Any]:
    """Lay a row out as the CSV cells of `COLUMNS`."""
    return [csv_cell(row[name]) for name in COLUMNS]
