"""What a classifier has to beat.

Conventions
-----------
Log-likelihoods have shape (n, k), one column a class, up to a constant of each bout.

- `published_cue`: the built-in cue, from published sizes, on the classes asked for
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.case import Case, posterior
from wingtone.evidence.lineup import CASTES, line_up
from wingtone.evidence.tone_size import ToneCue

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.fauna import Fauna

    Floats = NDArray[np.float64]

__all__ = ["published_cue"]

LOWEST_HZ, HIGHEST_HZ, STEPS = 60.0, 460.0, 160
ERROR = 0.01
"""Half-width of the 95 % interval given to the tone, as a share: a typical one, far below the
spread between bees."""


def published_cue(f0_hz: Floats, classes: Sequence[str], *, fauna: Fauna) -> Floats | None:
    """Return ln P(tone | class) by the built-in model, for bees met at an unknown time of year.

    Parameters
    ----------
    f0_hz : shape (n,)
    classes
        Castes. None is returned when one of them is no caste: the built-in cue knows only castes.

    Notes
    -----
    Within a caste the taxa count as they are abundant and in season over the year. The curve is worked out on
    a grid of 160 tones, 1.3 % apart, and read between them.
    """
    if not set(classes) <= set(CASTES):
        return None
    lineup = line_up(fauna)
    before = np.log(lineup.by_caste(posterior(lineup, Case())))
    grid = np.exp(np.linspace(np.log(LOWEST_HZ), np.log(HIGHEST_HZ), STEPS))
    curve = np.array(
        [
            np.log(
                lineup.by_caste(
                    posterior(lineup, Case(tone=ToneCue(hz, hz * (1 - ERROR), hz * (1 + ERROR), 1, 1.0)))
                )
            )
            - before
            for hz in grid
        ]
    )
    columns = [CASTES.index(one) for one in classes]
    return np.stack([np.interp(np.log(f0_hz), np.log(grid), curve[:, c]) for c in columns], axis=1)
