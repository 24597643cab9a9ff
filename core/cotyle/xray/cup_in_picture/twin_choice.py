"""Which of the two circles behind one ellipse is the cup: by the outline, by the plan, by a second view, or unknown.

A beam of parallel rays would give both the very same picture: one is the other mirrored in depth. Only the divergence
tells them apart, by moving the dome against the rim: 2 r^2 sin a cos a / s at the cup, a the mouth's angle to the view
and s the distance from the source (0.5 mm for r 26, a 15 deg, s 650 mm). What the plan says rests on
cups rarely lying far from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from cotyle.space.arrays import Array
from cotyle.space.rotations import angle_between_deg

SURE = 0.95
"""Probability from which a choice is called sure."""

# cups lie 8 deg about their plan, one in ten 25 deg (our choice: common practice, no source)
_NEAR_PLAN_DEG, _FAR_FROM_PLAN_DEG, _SHARE_FAR = 8.0, 25.0, 0.1
_OUTLINE_SPEAKS = float(np.log(SURE / (1.0 - SURE)))
# the outline never speaks louder than its shift against the common error of edges allows, nor than this
_EDGES_MM, _MOST_OUTLINE = 0.12, 3.5
_NEARLY_ONE_DEG = 4.0


class ChosenBy(StrEnum):
    """What told the two circles apart."""

    OUTLINE = "outline"
    """The dome's outline against the rim."""
    PLAN = "plan"
    """Nearness to the plan; the picture itself doesn't tell."""
    SECOND_VIEW = "second_view"
    """Another picture."""
    NOTHING = "nothing"
    """They are too near to each other to be told apart; the deviations hold both (the rim is seen nearly edge-on)."""


@dataclass(frozen=True)
class TwinChoice:
    """Which of the two was taken, and how sure that is.

    Parameters
    ----------
    chosen_by:
        The strongest reason.
    probability:
        That the one taken is right, by outline and plan together, or by the second view; 0.5 to 1.
    outline_log_odds:
        What the outline says for the one taken (natural logarithm; negative: against it); 0 where it wasn't used.
    apart_deg:
        Angle in space between the two axes.
    from_plan_deg, other_from_plan_deg:
        Angle of each axis to the planned one.
    text:
        A sentence for the surgeon.
    """

    chosen_by: ChosenBy
    probability: float
    outline_log_odds: float
    apart_deg: float
    from_plan_deg: float
    other_from_plan_deg: float
    text: str

    @property
    def sure(self) -> bool:
        """Whether the other one may be forgotten."""
        return self.chosen_by is ChosenBy.NOTHING or self.probability >= SURE


def outline_shift_mm(radius_mm: float, to_view_deg: float, from_source_mm: float) -> float:
    """Return by how much the dome lies elsewhere against the rim in the two answers, at the cup."""
    angle = np.deg2rad(to_view_deg)
    return float(2.0 * radius_mm**2 * np.sin(angle) * np.cos(angle) / from_source_mm)


def choose(
    axes_lps: tuple[Array, Array], planned_axis_lps: Array, outline_log_odds: float, shift_mm: float
) -> tuple[int, TwinChoice]:
    """Return which of two axes to take, 0 or 1, and why.

    Parameters
    ----------
    axes_lps:
        Opening axes of the two circles.
    outline_log_odds:
        Logarithm of the odds that the picture gives for the first against the second.
    shift_mm:
        What the outline tells them apart by, :func:`outline_shift_mm`.
    """
    apart = angle_between_deg(*axes_lps)
    off_plan = [angle_between_deg(axis, planned_axis_lps) for axis in axes_lps]
    most = min(0.5 * (shift_mm / _EDGES_MM) ** 2, _MOST_OUTLINE)
    outline = float(np.clip(outline_log_odds, -most, most))
    total = outline + _log_likelihood_of_plan(off_plan[0]) - _log_likelihood_of_plan(off_plan[1])
    taken = 0 if total >= 0 else 1
    speaks = outline if taken == 0 else -outline
    probability = float(1.0 / (1.0 + np.exp(-abs(total))))
    near, far = off_plan[taken], off_plan[1 - taken]
    if probability < SURE and apart < _NEARLY_ONE_DEG:
        by, text = ChosenBy.NOTHING, f"the rim is seen nearly edge-on: both answers lie within {apart:.1f} deg"
    elif speaks >= _OUTLINE_SPEAKS:
        by, text = ChosenBy.OUTLINE, f"taken by the dome's outline; the other answer lies {apart:.0f} deg away"
    else:
        by = ChosenBy.PLAN
        text = f"taken because it lies {near:.0f} deg from the plan, the other answer {far:.0f} deg"
    if by is not ChosenBy.NOTHING and probability < SURE:
        text = (
            f"two answers {apart:.0f} deg apart lie {near:.0f} and {far:.0f} deg from the plan; neither outline nor "
            "plan settles which it is: take a second view"
        )
    elif by is ChosenBy.PLAN and speaks < 0:
        text += "; the outline rather speaks for the other"
    return taken, TwinChoice(by, probability, speaks, apart, near, far, text)


def _log_likelihood_of_plan(off_deg: float) -> float:
    def density(deviation: float) -> float:
        return float(np.exp(-0.5 * (off_deg / deviation) ** 2)) / deviation**2

    return float(np.log((1 - _SHARE_FAR) * density(_NEAR_PLAN_DEG) + _SHARE_FAR * density(_FAR_FROM_PLAN_DEG) + 1e-9))
