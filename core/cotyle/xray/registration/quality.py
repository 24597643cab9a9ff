"""How well real and simulated edges agree at a pose: what tells a right match from a wrong one.

A wrong match (another patient, a mirrored picture) bends to the picture as well as it can; what it cannot do is to fit
everywhere at once. So the picture is cut into blocks, and in each the shift is found that would fit it better: after a
right match little is left but noise, after a wrong one a millimetre and more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.xray.registration.edges import EdgePicture
from cotyle.xray.registration.linear import Linear, in_blocks

_STRONG_SHARE = 0.15
"""Share of the pixels, those with the strongest simulated edges, on which agreement is judged."""


@dataclass(frozen=True)
class Quality:
    """Agreement of edges at a pose.

    Parameters
    ----------
    explained:
        Share of the real edges' squares, where the simulated ones are strongest, that these explain: 1 is all.
    local_shift_mm:
        Root mean square of the shift, at the bone, that would still improve single blocks; infinite if nothing agrees.
    """

    explained: float
    local_shift_mm: float


def quality_of(fixed: EdgePicture, linear: Linear) -> Quality:
    """Return the agreement of edges at the pose of a match."""
    size = np.hypot(*linear.moving)
    counted = fixed.weight > 0.5
    if not counted.any() or not size[counted].any():
        return Quality(0.0, float("inf"))
    strong = counted & (size >= np.quantile(size[counted], 1.0 - _STRONG_SHARE))
    left = float((fixed.weight * (linear.residual**2).sum(axis=0))[strong].sum())
    whole = float((fixed.weight * (fixed.gradient**2).sum(axis=0))[strong].sum())
    return Quality(1.0 - left / whole if whole > 0 else 0.0, _local_shift_mm(linear))


def _local_shift_mm(linear: Linear) -> float:
    """Root mean square of the shifts (columns, rows) of each block, weighted by what the block tells of them."""
    along, down = linear.slopes[3], linear.slopes[4]
    pairs = ((along, along), (along, down), (down, down))
    told = in_blocks(np.stack([(linear.weight * a * b).sum(axis=0) for a, b in pairs]))
    pull = in_blocks(linear.pulls[3:5])
    trace = told[0] + told[2]
    if not trace.any():
        return float("inf")
    kept = trace > 0.1 * np.percentile(trace, 90)
    told, pull, trace = told[:, kept], pull[:, kept], trace[kept]
    # a pull to no shift, so that a block with edges in one direction alone stays where it is in the other
    matrix = np.moveaxis(np.array([[told[0], told[1]], [told[1], told[2]]]), 2, 0) + 0.05 * np.median(trace) * np.eye(2)
    shifts = np.linalg.solve(matrix, pull.T[..., None])[..., 0]
    return float(np.sqrt((trace * (shifts**2).sum(axis=1)).sum() / trace.sum()))
