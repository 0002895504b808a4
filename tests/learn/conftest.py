"""What the tests of this room share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from wingtone.learn import scores

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session", autouse=True)
def fewer_bootstraps() -> Iterator[None]:
    """Intervals need not be smooth here, and the tests shall be quick."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scores, "BOOTSTRAPS", 200)
        yield
