from __future__ import annotations

import pytest

from wingtone.evidence.lineup import Lineup, line_up
from wingtone.fauna import Fauna, load


@pytest.fixture(scope="session")
def fauna() -> Fauna:
    return load()


@pytest.fixture(scope="session")
def lineup(fauna: Fauna) -> Lineup:
    return line_up(fauna)
