"""The numbers of the cup that a hand can change: one table for sliders, typed numbers and what they do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from cotyle.case.live import LiveNumbers
from cotyle.cup.center import depth_mm
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM
from cotyle.errors import InputError

from cotyle_platform.session import PlanningSession

DECIMALS = 2


@dataclass(frozen=True)
class Control:
    """A number of the cup: its words, unit, the slider's range and step, how it is read and how it is set.

    A number beyond the slider's range may be typed; the plan says what it takes.
    """

    name: str
    words: str
    unit: str
    low: float
    high: float
    step: float
    read: Callable[[PlanningSession], float]
    write: Callable[[PlanningSession, float], None]


CONTROLS = (
    Control(
        "inclination",
        "Inclination",
        "deg",
        10,
        75,
        0.5,
        lambda session: session.angles.inclination_deg,
        lambda session, value: session.change_orientation(inclination_deg=value),
    ),
    Control(
        "anteversion",
        "Anteversion",
        "deg",
        -20,
        50,
        0.5,
        lambda session: session.angles.anteversion_deg,
        lambda session, value: session.change_orientation(anteversion_deg=value),
    ),
    Control(
        "diameter",
        "Size",
        "mm",
        SMALLEST_CUP_MM,
        LARGEST_CUP_MM,
        1,
        lambda session: session.numbers.cup.outer_diameter_mm,
        lambda session, value: session.change(outer_diameter_mm=value),
    ),
    Control(
        "depth",
        "Depth",
        "mm",
        -12,
        15,
        0.2,
        lambda session: _depth(session.numbers),
        lambda session, value: session.move(along_axis_mm=value - _depth(session.numbers)),
    ),
    Control(
        "medial",
        "Medial",
        "mm",
        -12,
        15,
        0.5,
        lambda session: session.numbers.center_shift.medial,
        lambda session, value: session.shift_to(medial_mm=value),
    ),
    Control(
        "superior",
        "Superior",
        "mm",
        -12,
        25,
        0.5,
        lambda session: session.numbers.center_shift.superior,
        lambda session, value: session.shift_to(superior_mm=value),
    ),
    Control(
        "anterior",
        "Anterior",
        "mm",
        -12,
        12,
        0.5,
        lambda session: session.numbers.center_shift.anterior,
        lambda session, value: session.shift_to(anterior_mm=value),
    ),
    Control(
        "tilt",
        "Standing",
        "deg",
        -45,
        25,
        1,
        lambda session: session.plan.posture.standing_tilt_change_deg,
        lambda session, value: session.change(posture={"standing_tilt_change_deg": value, "measured": False}),
    ),
)
BY_NAME = {control.name: control for control in CONTROLS}


def rows() -> list[dict[str, Any]]:
    """Return the table for the page."""
    fields = ("name", "words", "unit", "low", "high", "step")
    return [{name: getattr(each, name) for name in fields} for each in CONTROLS]


def values(session: PlanningSession) -> dict[str, float | None]:
    """Return each number as it is now, rounded for the eye; None where the definition leaves it open."""
    found: dict[str, float | None] = {}
    for each in CONTROLS:
        try:
            found[each.name] = round(each.read(session), DECIMALS) + 0.0
        except InputError:
            found[each.name] = None
    return found


def write(session: PlanningSession, name: str, value: float) -> None:
    """Set a number; raises InputError for one that makes no plan, and then nothing changes."""
    control = BY_NAME.get(name)
    if control is None:
        raise InputError("control-unknown", f"there is no number {name!r} to set")
    control.write(session, float(value))


def words(session: PlanningSession) -> dict[str, str]:
    """Return what stands under some of the sliders."""
    return {
        "depth": "along the axis, inwards of the native centre",
        "anterior": "these three: from native centre, supine",
        "tilt": "change of tilt from lying; below 0: back",
    }


def _depth(numbers: LiveNumbers) -> float:
    cup = numbers.cup
    return depth_mm(numbers.hip.socket.center_lps_mm, cup.center_lps_mm, cup.opening_axis_lps)
