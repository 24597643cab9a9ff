"""The fine match: damped Gauss-Newton steps on the edges of real and simulated picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.edges import EdgePicture
from cotyle.xray.registration.linear import Linear, linear_at, robust_cost
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.simulated_edges import simulated_edges

_SMALL = np.array([0.004, 0.004, 0.002, 0.006, 0.006, 0.04])
"""Changes of the six numbers, deg and mm, below which the match has settled."""


@dataclass(frozen=True, eq=False)
class Match:
    """Where the fine match ended: six numbers of the handle, the match about the last pose tried, and its robust cost.

    ``linear`` belongs to the pose before the last step, which was small if the match has ``settled``.
    """

    numbers: Array
    linear: Linear
    cost: float
    settled: bool


def refine(
    fixed: EdgePicture,
    bone: ReadyVolume,
    carm: CArm,
    handle: Handle,
    start: npt.ArrayLike,
    most_steps: int = 12,
) -> Match:
    """Return the best pose near a start.

    Parameters
    ----------
    fixed:
        Edges of the real picture.
    bone:
        The pelvis.
    carm:
        Pose that the numbers start from, of the size of the edge picture.
    handle, start:
        What the numbers refer to, and six of them.
    most_steps:
        Ends after so many steps, or when one is small.
    """
    numbers = np.array(start, dtype=float)
    damping = 1e-3
    while True:
        linear = linear_at(fixed, bone, carm, handle, numbers)
        cost = robust_cost(fixed, linear.moving)
        normal, pull = linear.invertible, linear.pulls.sum(axis=(1, 2), dtype=float)
        for _ in range(4):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            tried = robust_cost(fixed, simulated_edges(bone, carm, handle, (numbers + step)[None])[0])
            if tried < cost:
                break
            damping *= 8.0
        else:
            return Match(numbers, linear, cost, settled=True)
        numbers, cost = numbers + step, tried
        damping = max(damping * 0.2, 1e-6)
        most_steps -= 1
        settled = bool((np.abs(step) < _SMALL).all())
        if settled or most_steps == 0:
            return Match(numbers, linear, cost, settled)
