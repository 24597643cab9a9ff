"""The table of what registration must show: each row, its bars, and whether they were kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.validation.theatre.judging import CAMERA, CLICKS, FAR, NAME, NEAR, PAIR, POOR_PAIR, WRONG, Judged
from tests.validation.theatre.pose_errors import coverage_share

MOST_FALSE_CONVERGED = 0.01
GROSS = {"in_plane_mm": 2.0, "turn_deg": 1.0, "tilt_deg": 3.0, "axial_deg": 3.0}
"""A pose farther off than this in a right picture is a wrong result too (our choice)."""

GROSS_CUP = {"inclination_deg": 2.5, "anteversion_deg": 2.5, "center_in_plane_mm": 2.0}
"""The same for a cup (our choice)."""


@dataclass(frozen=True)
class Row:
    """Median and 95th percentile of absolute errors beside their bars; a trial without a pose counts as infinite."""

    title: str
    values: tuple[float, ...]
    median_bar: float
    high_bar: float

    @property
    def median(self) -> float:
        """Median of the absolute errors."""
        return float(np.quantile(self.values, 0.5, method="inverted_cdf")) if self.values else float("nan")

    @property
    def high(self) -> float:
        """95th percentile of the absolute errors: the least value that 95 % do not exceed."""
        return float(np.quantile(self.values, 0.95, method="inverted_cdf")) if self.values else float("nan")

    @property
    def kept(self) -> bool:
        """Whether both bars are kept; a row without trials keeps nothing."""
        return bool(self.median <= self.median_bar and self.high <= self.high_bar)


@dataclass(frozen=True)
class Share:
    """A share of trials within its bars, lowest and highest."""

    title: str
    count: int
    value: float
    low: float
    high: float = 1.0

    @property
    def kept(self) -> bool:
        """Whether it lies within its bars; NaN does not."""
        return bool(self.low <= self.value <= self.high)


def rows(judged: Sequence[Judged]) -> list[Row]:
    """Return the rows of errors; those of cups, pairs and clicks only where there are such."""
    near = [each for each in judged if each.kind == NEAR]
    pair = [each for each in judged if each.kind == PAIR]
    table = [
        Row("in plane, one view (mm)", _values(near, "in_plane_mm"), 0.15, 0.6),
        Row("in-plane rotation, one view (deg)", _values(near, "turn_deg"), 0.1, 0.4),
        Row("tilt and axial rotation, one view (deg)", _values(near, "tilt_deg", "axial_deg"), 0.3, 1.0),
        Row("depth, one view (mm)", _values(near, "depth_mm"), 1.0, 3.0),
    ]
    if pair:
        table += [
            Row("tilt and axial rotation, two views (deg)", _values(pair, "tilt_deg", "axial_deg"), 0.2, 0.6),
            Row("depth, two views (mm)", _values(pair, "depth_mm"), 0.5, 1.5),
        ]
    cups = [each.cup for each in _with_cup(judged) if each.cup is not None]
    if cups:
        table += [
            Row("cup inclination (deg)", tuple(abs(each.inclination_deg) for each in cups), 0.5, 1.5),
            Row("cup anteversion (deg)", tuple(abs(each.anteversion_deg) for each in cups), 0.8, 2.5),
            Row("cup's centre, in plane (mm)", tuple(each.center_in_plane_mm for each in cups), 0.5, 1.5),
        ]
    for kind, title, bars in (
        (NEAR, "levelling moves by registration (deg)", (0.5, 1.5)),
        (CLICKS, "levelling moves by clicked points (deg)", (2.0, 4.0)),
    ):
        moves = tuple(value for each in judged if each.kind == kind for value in each.moves_deg.values())
        if moves:
            table.append(Row(title, moves, *bars))
    return table


def reported(judged: Sequence[Judged]) -> list[Row]:
    """Return rows without a bar: what else the trials show."""
    poor = [each for each in judged if each.kind == POOR_PAIR]
    named = [each for each in judged if each.kind == NAME]
    free = (np.inf, np.inf)
    table = [
        Row("in plane, from the view's name (mm)", _values(named, "in_plane_mm"), *free),
        Row("tilt and axial rotation, from the view's name (deg)", _values(named, "tilt_deg", "axial_deg"), *free),
        Row("depth, from the view's name (mm)", _values(named, "depth_mm"), *free),
    ]
    if poor:
        table += [
            Row("tilt and axial rotation, two views, poor motion (deg)", _values(poor, "tilt_deg", "axial_deg"), *free),
            Row("depth, two views, poor motion (mm)", _values(poor, "depth_mm"), *free),
        ]
    return table


def shares(judged: Sequence[Judged]) -> list[Share]:
    """Return successes, coverage of the stated intervals, and wrong results called converged."""
    table = [
        _success("success, starts 10 deg and 15 mm off", judged, NEAR, 0.95),
        _success("success, one view from its name", judged, NAME, 0.95),
        _success("success, starts 20 deg and 30 mm off", judged, FAR, 0.90),
    ]
    if any(each.kind == PAIR for each in judged):
        table.append(_success("success, two views", judged, PAIR, 0.95))
    stated = [each.covered for each in judged if each.kind == NEAR and each.covered]
    every = [held for each in stated for held in each.values()]
    together = float(np.mean(every)) if every else float("nan")
    table.append(Share("95 % intervals hold the truth, all quantities", len(every), together, 0.90, 0.99))
    table += list(_false_converged(judged))
    table += list(_cup_shares(judged))
    return table


def coverage_lines(judged: Sequence[Judged]) -> list[Share]:
    """Return how often the intervals of each quantity hold the truth; too few trials of each for a bar."""
    stated = [each.covered for each in judged if each.kind == NEAR and each.covered]
    cups = [each.cup_covered for each in _with_cup(judged)]
    return [
        Share(f"95 % intervals hold the truth, {name}", sum(name in each for each in stated), share, 0.0)
        for name, share in coverage_share(stated).items()
    ] + [
        Share(f"95 % intervals hold the truth, cup's {name}", sum(name in each for each in cups), share, 0.0)
        for name, share in coverage_share(cups).items()
    ]


def further_shares(judged: Sequence[Judged]) -> Iterator[Share]:
    """Return what rows of errors leave out: cups that got no number, and the intervals of two views."""
    seen = [each for each in judged if each.kind == NAME and each.shows_cup]
    if seen:
        measured = float(np.mean([each.cup is not None for each in seen]))
        yield Share("cups and reamers that were measured at all", len(seen), measured, 0.0)
    held = [value for each in judged if each.kind == PAIR for value in each.covered.values()]
    if held:
        yield Share("95 % intervals hold the truth, two views", len(held), float(np.mean(held)), 0.0)


def camera_lines(judged: Sequence[Judged]) -> list[Row | Share]:
    """Return tilt under a wrong camera, and whether the doubt was shown."""
    off = [each for each in judged if each.kind == CAMERA]
    if not off:
        return []
    doubted = float(np.mean([not each.converged or bool(each.found.doubts) for each in off]))
    return [
        Row("tilt, camera 1 % and 3 mm wrong (deg)", _values(off, "tilt_deg"), 0.3, np.inf),
        Share("doubt shown, camera 1 % and 3 mm wrong", len(off), doubted, 1.0),
        *_doubted_alike(judged),
    ]


def _doubted_alike(judged: Sequence[Judged]) -> Iterator[Share]:
    """What a doubt is worth: how often it is shown where the machine is as stated."""
    right = [each for each in judged if each.kind == NAME and each.converged]
    if right:
        shown = float(np.mean([bool(each.found.doubts) for each in right]))
        yield Share("doubt shown as well, right pictures that converged", len(right), shown, 0.0)


def _false_converged(judged: Sequence[Judged]) -> Iterator[Share]:
    wrong = [each for each in judged if each.kind == WRONG]
    if wrong:
        called = float(np.mean([each.converged for each in wrong]))
        yield Share("wrong pictures called converged", len(wrong), called, 0.0, MOST_FALSE_CONVERGED)
    right = [each for each in judged if each.kind in (NEAR, NAME, FAR)]
    if right:
        missed = float(np.mean([each.converged and is_gross(each) for each in right]))
        yield Share("right pictures, grossly wrong and called converged", len(right), missed, 0.0, MOST_FALSE_CONVERGED)


def _with_cup(judged: Sequence[Judged]) -> list[Judged]:
    return [each for each in judged if each.kind in (NEAR, NAME) and each.cup is not None]


def _cup_shares(judged: Sequence[Judged]) -> Iterator[Share]:
    found = _with_cup(judged)
    if found:
        held = [value for each in found for value in each.cup_covered.values()]
        yield Share("95 % intervals hold the truth, cup", len(held), float(np.mean(held)), 0.90, 0.99)
        missed = float(np.mean([each.found.cup_verdict == "converged" and is_gross_cup(each) for each in found]))
        yield Share("cups grossly wrong and called converged", len(found), missed, 0.0, MOST_FALSE_CONVERGED)


def is_gross_cup(judged: Judged) -> bool:
    """Return whether a cup is farther off than any limit of :data:`GROSS_CUP`."""
    return any(not abs(getattr(judged.cup, name)) <= most for name, most in GROSS_CUP.items())


def is_gross(judged: Judged) -> bool:
    """Return whether a pose is farther off than any limit of :data:`GROSS`, or missing."""
    if judged.error is None:
        return True
    return any(not abs(getattr(judged.error, name)) <= most for name, most in GROSS.items())


def _success(title: str, judged: Sequence[Judged], kind: str, bar: float) -> Share:
    own = [each.success for each in judged if each.kind == kind]
    return Share(title, len(own), float(np.mean(own)) if own else float("nan"), bar)


def _values(judged: Sequence[Judged], *names: str) -> tuple[float, ...]:
    return tuple(
        float("inf") if each.error is None else abs(float(getattr(each.error, name)))
        for each in judged
        for name in names
        if name != "depth_mm" or each.with_depth
    )
