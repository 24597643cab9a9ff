"""How far the quick estimates of a plan's procedures are off: some of them measured in full.

Which ones: those with the thinnest walls, all of them; the rest in order of the wall along the axis, cut into as many
equal parts as there are draws, one of each part by lot. So each stands for a known number of procedures, and shares
over the sample, weighed by it, are shares of all (stratified sampling; Cochran WG, Sampling Techniques, 1977, chapter
5, from memory).

Estimates are moved so that the planned cup has the figures that were measured on it. Where just this cup is odd, as one
whose axis meets a gap that only the scan shows, that would move all procedures by what is true of one: then they are
moved to the sample instead (:func:`moved_to_sample`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from cotyle.cup.component import Cup
from cotyle.cup.tolerance.causes import Errors
from cotyle.cup.tolerance.procedures import (
    Outcome,
    Planned,
    Procedures,
    placed,
    plan_difference,
    unmoved_figures,
    wall_figures,
)
from cotyle.space.arrays import Array, BoolArray, IntArray

PARTS, THINNEST = 33, 12

Measure = Callable[[Cup], tuple[float, float, float]]
"""Measures wall along the axis, least wall (mm) and coverage (share) of a cup by the functions of ``measure``."""


@dataclass(frozen=True, eq=False)
class Sample:
    """Procedures to be measured: their numbers ``rows`` (k,), and how many of all each stands for, ``weights`` (k,)."""

    rows: IntArray
    weights: Array


@dataclass(frozen=True, eq=False)
class Compared:
    """Wall along the axis, least wall and coverage (k, 3) of a sample, as estimated and as measured."""

    sample: Sample
    estimated: Array
    measured: Array

    @property
    def differences(self) -> Array:
        """Measured less estimated, (k, 3)."""
        return np.asarray(self.measured - self.estimated)

    @property
    def unseen_through(self) -> BoolArray:
        """Which are through as measured, not as estimated, (k,)."""
        return _through(self.measured) & ~_through(self.estimated)

    @property
    def wrongly_through(self) -> BoolArray:
        """Which are through as estimated, not as measured, (k,)."""
        return _through(self.estimated) & ~_through(self.measured)

    def share(self, which: BoolArray) -> float:
        """Return the share of all procedures, 0 to 1, that some of the sample (k,) stand for."""
        return float(self.sample.weights[which].sum() / self.sample.weights.sum())

    def usual_off(self, figure: int) -> float:
        """Return by how much a figure (0 to 2) is off, either way, in the middle one of all procedures."""
        return _middle(np.abs(self.differences[:, figure]), self.sample.weights)

    def worst(self, figure: int) -> float:
        """Return the largest difference of a figure (0 to 2) with its sign, measured less estimated."""
        differences = self.differences[:, figure]
        return float(differences[np.argmax(np.abs(differences))])


def drawn_sample(found: Procedures, seed: int, parts: int = PARTS, thinnest: int = THINNEST) -> Sample:
    """Return which procedures are to be measured; the same seed draws the same ones.

    Where there are fewer procedures than that, all of them.
    """
    count = len(found.outcomes)
    if count <= parts + thinnest:
        return Sample(np.arange(count, dtype=np.int32), np.ones(count))
    thin = np.argsort(found.of(Outcome.LEAST_WALL), kind="stable")[:thinnest]
    rest = np.setdiff1d(np.arange(count), thin)
    rest = rest[np.argsort(found.of(Outcome.WALL_ALONG)[rest], kind="stable")]
    lots = np.array_split(rest, parts)
    draw = np.random.default_rng(seed)
    drawn = np.array([draw.choice(lot) for lot in lots])
    weights = np.concatenate([np.ones(thinnest), [float(len(lot)) for lot in lots]])
    return Sample(np.concatenate([thin, drawn]).astype(np.int32), weights)


def compared(planned: Planned, errors: Errors, sample: Sample, measure: Measure) -> Compared:
    """Measure the cups of a sample; what the bone's edges err by is in neither figure."""
    centers, axes, radii = (each[sample.rows] for each in placed(planned, errors))
    cups = (Cup(planned.cup.side, *row) for row in zip(centers, axes, 2.0 * radii, strict=True))
    measured = np.array([measure(cup) for cup in cups], dtype=float)
    return Compared(sample, wall_figures(planned, centers, axes, radii), measured)


def estimated_again(planned: Planned, errors: Errors, held: Compared) -> Compared:
    """Return the comparison with the estimates of a plan whose figures were moved."""
    placed_cups = (each[held.sample.rows] for each in placed(planned, errors))
    return replace(held, estimated=wall_figures(planned, *placed_cups))


def moved_to_sample(
    planned: Planned, errors: Errors, held: Compared, far: tuple[float, float, float]
) -> tuple[Planned, Array]:
    """Return the plan whose estimates are moved to the sample where they are far off it, and by how much each (3,).

    ``far``: what counts as far, of the three figures; below it, what was measured on the plan is the better guide. Cups
    that are through, by estimate or measurement, tell no difference.
    """
    rows = unmoved_figures(planned, *(each[held.sample.rows] for each in placed(planned, errors)))
    apart, told = held.measured - rows - plan_difference(planned), (held.measured > 0.0) & (rows > 0.0)
    shift = np.zeros(3)
    for figure in range(3):
        known = told[:, figure]
        if known.any():
            shift[figure] = _middle(apart[known, figure], held.sample.weights[known])
    shift[np.abs(shift) <= far] = 0.0
    along, least, coverage = (float(value) for value in shift)
    moved = replace(
        planned,
        along_mm=planned.along_mm + along,
        least_mm=planned.least_mm + least,
        coverage=planned.coverage + coverage,
    )
    return moved, shift


def _middle(values: Array, weights: Array) -> float:
    """Return the value (n,) that half of the weight lies below."""
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(below, 0.5 * below[-1])]])


def _through(figures: Array) -> BoolArray:
    return np.asarray((figures[:, :2] <= 0.0).any(axis=1))
