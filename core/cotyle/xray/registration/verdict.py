"""Whether a match may be trusted. Limits were chosen on simulated pictures, see docs/methods/registration.md."""

from __future__ import annotations

import numpy as np

from cotyle.space.arrays import Array
from cotyle.xray.registration.quality import Quality
from cotyle.xray.verdict import Verdict

GOOD_SHIFT_MM, MOST_SHIFT_MM = 0.6, 0.75
GOOD_EXPLAINED, LEAST_EXPLAINED = 0.5, 0.4
# a cloud of poses that ends this far from the rough pose has left the view that was named
_FAR_SD = 4.0


def judged(quality: Quality, settled: bool, from_rough_sd: Array) -> tuple[Verdict, tuple[str, ...]]:
    """Return the verdict on a match, and why it is not ``converged``.

    Parameters
    ----------
    quality:
        Agreement of edges.
    settled:
        Whether the last step was small.
    from_rough_sd:
        The six numbers from the rough pose, in its standard deviations.
    """
    reasons = []
    if quality.local_shift_mm > GOOD_SHIFT_MM:
        reasons.append(
            f"edges of bone in single parts of the picture lie {quality.local_shift_mm:.1f} mm beside those of the CT"
        )
    if quality.explained < GOOD_EXPLAINED:
        reasons.append(f"the CT's bone explains {100 * max(quality.explained, 0):.0f} % of the edges it should show")
    if quality.local_shift_mm > MOST_SHIFT_MM or quality.explained < LEAST_EXPLAINED:
        return Verdict.FAILED, tuple(reasons)
    if not settled:
        reasons.append("the match had not settled when it was ended")
    if float(np.abs(from_rough_sd).max()) > _FAR_SD:
        reasons.append("the pose lies far from the view that was named")
    return (Verdict.DOUBTFUL if reasons else Verdict.CONVERGED), tuple(reasons)
