"""How far the estimates of tolerance were off: procedures measured as ``measure`` does, and what is said of them."""

from __future__ import annotations

import numpy as np

from cotyle.case.measurements import Doubt
from cotyle.case.schema import Finite, Strict
from cotyle.case.stages import Hip, PlannedCup, coverage_of, soft_bed_of, steps_of, wall_of
from cotyle.cup.component import Cup
from cotyle.cup.tolerance.sample import THINNEST, Compared, Measure
from cotyle.space.arrays import Array

# Farther off than this (mm, mm, share) an estimate is doubted: the gap that a wall bridges, and what the coverage of an
# option must differ by five times to count as other; our choice.
FAR = (2.0, 2.0, 0.05)
# From here on (mm, mm, share) the plan's own figures are no guide to the cups around it: what counts as equal among
# options, and several times what estimates were usually off by (docs/methods/tolerance.md).
APART = (0.5, 0.5, 0.01)

_ESTIMATES = {
    "wall_along_axis_mm": ("the wall along the axis", 1.0, "mm"),
    "least_wall_mm": ("the least wall", 1.0, "mm"),
    "coverage": ("coverage", 100.0, "points"),
}


class DifferenceFact(Strict):
    """How far the estimates of one figure are off; mm, coverage as a share.

    ``usual``: either way, in the middle one of all procedures. ``worst``: measured less estimated, the farthest one.
    ``far_share``: share of all procedures, 0 to 1, that are farther off than ``limit``. ``moved``: by how much the
    estimates were moved to those measured, where the plan's own figure was off them by more than counts as equal
    (0.5 mm, 1 point); else 0.
    """

    usual: Finite
    worst: Finite
    limit: Finite
    far_share: Finite
    moved: Finite = 0.0


class CheckedFact(Strict):
    """Estimates held against the measurement: ``measured`` procedures, the ``thinnest`` of all among them.

    ``unseen_through``: how many of them are through as measured, not as estimated; ``wrongly_through`` the other way.
    """

    measured: int
    thinnest: int
    differences: dict[str, DifferenceFact]
    unseen_through: int
    wrongly_through: int


def measuring(planned: PlannedCup, hip: Hip) -> Measure:
    """Measure cups as ``measure`` does, with the reamers of the plan."""

    def measure(cup: Cup) -> tuple[float, float, float]:
        wall = wall_of(steps_of(planned.plan, cup, hip), hip, with_map=False)
        return wall.along_axis_mm, wall.minimum_mm, coverage_of(cup, soft_bed_of(cup, hip), hip).fraction

    return measure


def checked_fact(held: Compared, shift: Array) -> CheckedFact:
    """Return what a comparison says; ``shift`` (3,): by how much the estimates were moved to it before."""
    differences = {
        name: DifferenceFact(
            usual=held.usual_off(n),
            worst=held.worst(n),
            limit=limit,
            far_share=held.share(np.abs(held.differences[:, n]) > limit),
            moved=float(shift[n]),
        )
        for n, (name, limit) in enumerate(zip(_ESTIMATES, FAR, strict=True))
    }
    return CheckedFact(
        measured=len(held.sample.rows),
        thinnest=min(THINNEST, len(held.sample.rows)),
        differences=differences,
        unseen_through=int(held.unseen_through.sum()),
        wrongly_through=int(held.wrongly_through.sum()),
    )


def doubts_of_estimates(checked: CheckedFact) -> tuple[Doubt, ...]:
    """Say where estimates and measurement disagree."""
    apart, said = [], []
    for name, (words, factor, unit) in _ESTIMATES.items():
        off = checked.differences[name]
        if off.moved:
            side = "below" if off.moved > 0 else "above"
            apart.append(
                f"{words} as planned stands {factor * abs(off.moved):.1f} {unit} {side} what is usual around it"
            )
        if abs(off.worst) > off.limit:
            often = "fewer than 1" if off.far_share < 0.01 else f"about {100 * off.far_share:.0f}"
            way = "more" if off.worst > 0 else "less"
            said.append(
                f"{words} by up to {factor * abs(off.worst):.1f} {unit} ({way} as measured), "
                f"by more than {factor * off.limit:g} {unit} in {often} of 100 procedures"
            )
    if checked.unseen_through:
        said.append(f"{checked.unseen_through} are through as measured, not as estimated")
    if checked.wrongly_through:
        said.append(f"{checked.wrongly_through} are through as estimated, not as measured")
    found = []
    if apart:
        text = (
            f"By {checked.measured} procedures measured in full {'; '.join(apart)}: a gap in the bone, for example, "
            "that just the planned cup meets. All figures here are of the cups around it; look at the wall itself."
        )
        found.append(Doubt(code="tolerance-plan-apart", text=text))
    if said:
        text = f"Of {checked.measured} procedures measured in full the quick estimates were off: {'; '.join(said)}."
        found.append(Doubt(code="tolerance-estimates", text=text))
    return tuple(found)
