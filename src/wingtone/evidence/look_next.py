"""What to look at next: the expected information of every question not yet answered.

    gain(character) = sum over answers of P(answer | case) (H(taxon | case) - H(taxon | case, answer))

in bits, over taxa (castes and forms summed), exact: the sum runs over every possible answer, observer
errors included. A question that may find no answer (``nest``, of what goes in nowhere) tells nothing then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.answer import LookNext
from wingtone.evidence.case import answer_probabilities, posterior
from wingtone.evidence.doing import AT_NEST_STATES, BEHAVIOUR, NEST
from wingtone.evidence.observe import CONDITION

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup

    Floats = NDArray[np.float64]

__all__ = ["LEAST_BITS", "expected_bits", "look_next"]

FLOWER = "flower"

LEAST_BITS = 0.05
"""Questions that would tell less than this on the average are not worth a beginner's time. Ours: a coin
that comes up right 63 times in 100 tells as much."""


def expected_bits(lineup: Lineup, case: Case, character: str) -> float:
    """Return the expected information of one question about the taxon, in bits, >= 0."""
    now = posterior(lineup, case)
    joint = now[:, None] * answer_probabilities(lineup, case, character)
    by_taxon = np.zeros((len(lineup.taxa), joint.shape[1]))
    np.add.at(by_taxon, lineup.taxon_of, joint)
    # P(answered) H(T) + H(A) - H(T, A): the mutual information of taxon and answer, where all is answered
    before = float(by_taxon.sum()) * _entropy(lineup.by_taxon(now))
    bits = before + _entropy(by_taxon.sum(axis=0)) - _entropy(by_taxon.ravel())
    return max(bits, 0.0)


def look_next(lineup: Lineup, case: Case) -> tuple[LookNext, ...]:
    """Return the questions worth asking: first by how easy they are to see, then by what they tell.

    What can be seen on a flying bee (ease 1) always stands before what needs a feeding bee (2), and that
    before what needs a settled bee or a close photo (3). Empty when nothing would tell `LEAST_BITS`.
    """
    asked = {name for name, _ in case.hints}
    open_questions = [
        (traits.ease, -expected_bits(lineup, case, name), name)
        for name, traits in lineup.traits.items()
        if name != CONDITION and name not in asked and _can_be_told(case, name)
    ]
    return tuple(
        LookNext(character=name, expected_bits=-bits, question=lineup.traits[name].question)
        for _, bits, name in sorted(open_questions)
        if -bits >= LEAST_BITS
    )


def _can_be_told(case: Case, character: str) -> bool:
    """Tell whether who saw what they say could answer: a bee on its beat or on a flower goes in nowhere."""
    if character != NEST:
        return True
    behaviour = case.hint(BEHAVIOUR)
    return case.hint(FLOWER) is None if behaviour is None else behaviour in AT_NEST_STATES


def _entropy(probability: Floats) -> float:
    positive = probability[probability > 0.0]
    return float(-(positive * np.log2(positive)).sum())
