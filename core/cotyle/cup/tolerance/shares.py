"""Which cause an outcome's spread comes from.

The first-order share of a cause is the variance of what the outcome is on average, given the cause, over the whole
variance (Sobol IM, Math Model Comput Exp 1993;1:407-14). The average is fitted: squares and products of what the cause
drew, by least squares, on the same procedures that give the spread; the share is the adjusted R squared of that fit.
Errors of degrees and millimetres bend an outcome little, so that squares suffice; what no single cause explains is told
as causes acting together.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from cotyle.cup.tolerance.causes import CAUSES, Cause, Errors
from cotyle.space.arrays import Array


def variance_shares(errors: Errors, outcome: Array) -> Mapping[Cause, float]:
    """Return the share, 0 to 1, of the variance of an outcome (n,) that each cause explains alone.

    A cause that drew nothing has none; an outcome without spread has no shares at all. What lots that went together by
    chance explain twice is taken off all shares alike: they are never more than the whole.
    """
    if not outcome.std() > 0.0:
        return dict.fromkeys(CAUSES, 0.0)
    found = {cause: _explained(errors.of_cause(cause), outcome) for cause in CAUSES}
    whole = max(1.0, sum(found.values()))
    return {cause: share / whole for cause, share in found.items()}


def _explained(drawn: Array, outcome: Array) -> float:
    drawn = drawn[:, drawn.std(axis=0) > 0.0]
    if not drawn.size:
        return 0.0
    scaled = drawn / drawn.std(axis=0)
    first, second = np.triu_indices(scaled.shape[1])
    terms = np.hstack([np.ones((len(scaled), 1)), scaled, scaled[:, first] * scaled[:, second]])
    fitted, _, rank, _ = np.linalg.lstsq(terms, outcome, rcond=None)
    left = outcome - terms @ fitted
    free = len(outcome) - int(rank)
    unexplained = (left @ left) / free / outcome.var(ddof=1)
    return float(np.clip(1.0 - unexplained, 0.0, 1.0))
