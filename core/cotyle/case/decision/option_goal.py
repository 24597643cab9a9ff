"""Which hip centre should be restored, and where an old cup's bed lies.

The native centre, unless this hip's own is no guide: its head has left the socket, the socket is dysplastic or
protruded, or it holds an old cup. Then the mirrored centre of the other hip, if that hip is none of these itself.
The user can say which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cotyle.case.decision.guide import no_guide
from cotyle.case.decision.option_questions import OptionQuestions
from cotyle.case.stages import Hip
from cotyle.errors import InputError
from cotyle.space.arrays import Array

BORDERLINE_BELOW_DEG = 25.0
HIGH_BED_MM = 8.0
"""An old cup's bed so far above the wanted centre is worth asking whether the centre should stay high; our choice."""


@dataclass(frozen=True, eq=False)
class Goal:
    """The centre (3,) that should be restored, LPS mm; ``why`` in words, and ``doubt`` where there is one."""

    restores: Literal["native", "opposite"]
    center_lps_mm: Array
    why: str
    doubt: str = ""


@dataclass(frozen=True)
class Bed:
    """The bone bed behind an old cup; ``rise_from_wanted_mm``: of its centre above the wanted one."""

    kind: str
    seen_share: float
    gap_mm: float
    center_sd_mm: float
    rise_from_wanted_mm: float


def goal_of(hip: Hip, asked: OptionQuestions) -> Goal:
    """Return the centre to be restored.

    Raises
    ------
    InputError
        ``option-goal`` where the mirrored opposite is asked for and the other socket was not found.
    """
    native, mirrored = hip.socket.center_lps_mm, hip.socket.mirrored_opposite_center_lps_mm
    if asked.restore == "native":
        return Goal("native", native, "asked for")
    if asked.restore == "opposite":
        if mirrored is None:
            raise InputError("option-goal", "the other socket was not found, so that nothing can be mirrored", "")
        return Goal("opposite", mirrored, "asked for")
    here, there = no_guide(hip, hip.side), no_guide(hip, hip.side.opposite)
    if not here:
        return Goal("native", native, "this socket is taken as the guide")
    if there or mirrored is None:
        other = there or "was not found"
        doubt = f"This hip {here}, but the other one {other}: the centre to restore is this hip's own."
        return Goal("native", native, "the other hip is no guide either", doubt)
    return Goal("opposite", mirrored, f"this hip {here}")


def bed_of(hip: Hip, goal: Goal) -> Bed | None:
    """Return the bed behind an old cup, None without one or where no bone was seen behind it."""
    cup = hip.anatomy.skeleton.metal_cups.get(hip.side)
    if cup is None or cup.bed is None:
        return None
    rise = float((cup.bed.sphere.center_lps_mm - goal.center_lps_mm) @ hip.frame.superior)
    return Bed(str(cup.kind), cup.bed.seen_share, cup.bed.gap_mm, cup.bed.center_sd_mm, rise)


def shows_high_center(hip: Hip, goal: Goal) -> bool:
    """Whether a high centre is worth being set against the wanted height: dysplasia, a head gone up, a high bed."""
    if hip.socket.displaced is not None:
        return True
    bed = bed_of(hip, goal)
    if bed is not None:
        return bed.rise_from_wanted_mm >= HIGH_BED_MM
    angle = hip.socket.lateral_center_edge_angle_deg
    return angle is not None and angle < BORDERLINE_BELOW_DEG
