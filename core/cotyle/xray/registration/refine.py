"""The fine match: damped Gauss-Newton steps on the edges of real and simulated picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.linear import Linear, linear_at, robust_cost
from cotyle.xray.registration.motion import Handle, handle_of
from cotyle.xray.registration.simulated_edges import View, simulated_edges

_SMALL = np.array([0.004, 0.004, 0.002, 0.006, 0.006, 0.04])
"""Changes of the six numbers, deg and mm, below which the match has settled."""

# robust weights hold a step back, most in depth: a longer one is tried beside it
_LENGTHS = np.array([1.0, 2.5])
_LIGHT = 1e-3


@dataclass(frozen=True, eq=False)
class Match:
    """Where the fine match ended: a motion of the rough poses, each view's match about the last pose tried, its cost.

    ``motion`` is a rigid 4x4 in LPS mm. ``linear`` belongs to the pose before the last step, which was small if the
    match has ``settled``, in the axes of the first view's detector. ``cost`` is the mean robust cost of the views.
    """

    motion: Array
    linear: tuple[Linear, ...]
    cost: float
    settled: bool


def refine(
    views: Sequence[View], bone: ReadyVolume, pivot_lps_mm: npt.ArrayLike, start: npt.ArrayLike, most_steps: int = 16
) -> Match:
    """Return the best pose near a start.

    Parameters
    ----------
    views:
        Edges of the real pictures and rough poses; several are moved together.
    bone:
        The pelvis.
    pivot_lps_mm:
        Point that turns are about.
    start:
        Rigid 4x4 LPS motion of the rough poses to begin with.
    most_steps:
        Ends after so many steps, or when one is small.
    """
    before = np.asarray(start, dtype=float)
    # in the axes of the detector itself: elsewhere a step in depth would be one aside, too, and too long for a slope
    views = [View(each.fixed, each.carm.moved(before)) for each in views]
    handle = handle_of(views[0].carm, pivot_lps_mm)
    numbers = np.zeros(6)
    damping = _LIGHT
    while True:
        linear = tuple(linear_at(each.fixed, bone, each.carm, handle, numbers) for each in views)
        cost = float(np.mean([robust_cost(each.fixed, at.moving) for each, at in zip(views, linear, strict=True)]))
        normal = np.sum([each.invertible for each in linear], axis=0)
        pull = np.sum([each.pulls.sum(axis=(1, 2), dtype=float) for each in linear], axis=0)
        for _ in range(4):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            tried = numbers + np.outer(_LENGTHS, step)
            costs = _costs(views, bone, handle, tried)
            if costs.min() < cost:
                break
            damping *= 8.0
        else:
            return Match(handle.motion(numbers) @ before, linear, cost, settled=True)
        step, cost = _LENGTHS[costs.argmin()] * step, float(costs.min())
        numbers = numbers + step
        most_steps -= 1
        small = bool((np.abs(step) < _SMALL).all())
        # a heavily damped step is small everywhere but where the match is good
        settled = small and damping <= _LIGHT
        if settled or most_steps == 0:
            return Match(handle.motion(numbers) @ before, linear, cost, settled)
        damping = _LIGHT if small else max(damping * 0.2, 1e-6)


def _costs(views: Sequence[View], bone: ReadyVolume, handle: Handle, numbers: Array) -> Array:
    """Mean robust cost of the views at each of some poses."""
    costs = [
        [robust_cost(each.fixed, moving) for moving in simulated_edges(bone, each.carm, handle, numbers)]
        for each in views
    ]
    return np.asarray(np.mean(costs, axis=0))
