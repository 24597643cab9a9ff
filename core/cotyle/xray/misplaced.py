"""A seated cup that isn't where it should be: how it would look, and which cue tells it apart best.

A cue that changes by less than a surgeon can read tells nothing. How finely each can be read is our choice
(:data:`READABLE`; common practice, no source): about what a ruler and a line drawn by eye on the screen give. The
change of a cue over that error is its ``telling``: below 1 the mistake can't be told from the plan by that cue, from 2
on it is plain.

What a picture from the front cannot show is shown to be so, not claimed: a cup that faces backwards instead of forwards
by the same angle to the beam (the mirror image of its axis in the plane of the screen, which makes the same ellipse),
and one that lies 3 mm farther to the front, along the beam, are put through the same cues.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from cotyle.cup.cavity import ReamingStep
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, orientation_of_axis
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.ellipse import project_circle
from cotyle.xray.reaming_cues import ScreenReading, Sight, read_screen
from cotyle.xray.views import View

TURN_DEG = 5.0
SHIFT_MM = 3.0
TOLD_FROM, PLAIN_FROM = 1.0, 2.0


class Mistake(StrEnum):
    """One thing that is wrong: turns are radiographic in the frame of the view, shifts along its axes or the cup's."""

    MORE_INCLINED = "more_inclined"
    LESS_INCLINED = "less_inclined"
    MORE_ANTEVERTED = "more_anteverted"
    LESS_ANTEVERTED = "less_anteverted"
    SHORT = "short"
    DEEP = "deep"
    HIGH = "high"
    FACING_BACK = "facing_back"
    FORWARD = "forward"


@dataclass(frozen=True)
class Readable:
    """How finely a cue is read: ``error`` in its own unit, one standard deviation."""

    unit: str
    error: float


READABLE: Mapping[str, Readable] = {
    "inclination_deg": Readable("deg", 2.0),
    "suggested_anteversion_deg": Readable("deg", 3.0),
    "axis_above_si_joint_mm": Readable("mm", 5.0),
    "rim_line_angle_deg": Readable("deg", 2.5),
    "rim_line_lower_end_mm": Readable("mm", 2.0),
    "rim_line_upper_end_mm": Readable("mm", 2.0),
    "medial_edge_to_teardrop_mm": Readable("mm", 1.5),
    "medial_edge_to_ilioischial_mm": Readable("mm", 1.5),
    "lower_rim_above_teardrops_mm": Readable("mm", 1.5),
    "gap_behind_mm": Readable("mm", 1.0),
}
"""Our choice (common practice, no source)."""


@dataclass(frozen=True)
class Telltale:
    """A cue's change from the plan (wrong minus planned) and how telling it is: the change over the reading error."""

    cue: str
    change: float
    telling: float


@dataclass(frozen=True, eq=False)
class Misplaced:
    """One mistake in one view: telltales most telling first, and where no cue tells it, a view that does.

    ``other_view_telling`` is that of the same mistake there; both are None where this view tells it.
    """

    mistake: Mistake
    rim: Circle
    reading: ScreenReading
    telltales: tuple[Telltale, ...]
    other_view: str | None
    other_view_telling: float | None

    @property
    def best(self) -> Telltale:
        """The most telling cue."""
        return self.telltales[0]

    @property
    def told(self) -> bool:
        """Whether any cue of the view tells it."""
        return self.best.telling >= TOLD_FROM


def misplaced_rim(mistake: Mistake, rim: Circle, frame: Frame, side: Side, carm: CArm) -> Circle:
    """Return the rim of the wrong cup; only ``FACING_BACK`` depends on the C-arm.

    Raises
    ------
    InputError
        As :func:`cotyle.cup.orientation.axis_from_orientation`, for a plan near the end of an angle's range.
    """
    axis = rim.normal_lps
    turns = {
        Mistake.MORE_INCLINED: (TURN_DEG, 0.0),
        Mistake.LESS_INCLINED: (-TURN_DEG, 0.0),
        Mistake.MORE_ANTEVERTED: (0.0, TURN_DEG),
        Mistake.LESS_ANTEVERTED: (0.0, -TURN_DEG),
    }
    shifts = {
        Mistake.SHORT: axis,
        Mistake.DEEP: -axis,
        Mistake.HIGH: frame.superior,
        Mistake.FORWARD: frame.anterior,
    }
    if mistake in turns:
        now, (inclination, anteversion) = radiographic(rim, frame, side), turns[mistake]
        turned = Orientation(now.inclination_deg + inclination, now.anteversion_deg + anteversion)
        return Circle(
            rim.center_lps_mm, axis_from_orientation(turned, Definition.RADIOGRAPHIC, frame, side), rim.radius_mm
        )
    if mistake in shifts:
        return Circle(np.asarray(rim.center_lps_mm + SHIFT_MM * shifts[mistake]), axis, rim.radius_mm)
    ray = unit(rim.center_lps_mm - carm.source_lps_mm)
    return Circle(rim.center_lps_mm, np.asarray(axis - 2.0 * (axis @ ray) * ray), rim.radius_mm)


def radiographic(rim: Circle, frame: Frame, side: Side) -> Orientation:
    """Return the radiographic angles of a rim in a frame."""
    return orientation_of_axis(rim.normal_lps, frame, side, Definition.RADIOGRAPHIC)


def readings(found: ScreenReading) -> dict[str, float | None]:
    """Return the cues of :data:`READABLE` by name."""
    line = found.cues.rim_line
    inclination = found.cues.inclination_to_teardrops_deg
    return {
        "inclination_deg": found.cues.apparent_inclination_deg if inclination is None else inclination,
        "suggested_anteversion_deg": found.cues.suggested_anteversion_deg,
        "axis_above_si_joint_mm": found.cues.axis_above_si_joint_mm,
        "rim_line_angle_deg": None if line is None else line.angle_deg,
        "rim_line_lower_end_mm": None if line is None else line.lower_end_mm,
        "rim_line_upper_end_mm": None if line is None else line.upper_end_mm,
        "medial_edge_to_teardrop_mm": found.cues.medial_edge_to_teardrop_mm,
        "medial_edge_to_ilioischial_mm": found.medial_edge_to_ilioischial_mm,
        "lower_rim_above_teardrops_mm": found.lower_rim_above_teardrops_mm,
        "gap_behind_mm": found.gap_behind_mm,
    }


def telltales(planned: ScreenReading, wrong: ScreenReading) -> tuple[Telltale, ...]:
    """Return the cues that both pictures have, the most telling first."""
    before, after = readings(planned), readings(wrong)
    found = []
    for name, readable in READABLE.items():
        was, now = before[name], after[name]
        if was is not None and now is not None and np.isfinite(now - was):
            found.append(Telltale(name, now - was, abs(now - was) / readable.error))
    return tuple(sorted(found, key=lambda each: -each.telling))


def misplaced(
    mistake: Mistake, rim: Circle, view: Sight, frame: Frame, floors: Sequence[ReamingStep], others: Sequence[View]
) -> Misplaced:
    """Return how a mistake shows in a view, and where not, in which of the others it does.

    Parameters
    ----------
    rim:
        Rim of the planned cup.
    view:
        The view, levelled in ``frame``.
    floors:
        All reaming steps.
    others:
        Views to look in where this one tells nothing, the handiest first: the first that tells it plainly is named,
        else the one that tells most.
    """
    wrong = misplaced_rim(mistake, rim, frame, view.side, view.carm)
    reading = read_screen(view, wrong, floors)
    found = telltales(read_screen(view, rim, floors), reading)
    other, strength = None, None
    if found[0].telling < TOLD_FROM and others:
        strengths = [(each.name, telling_in(each.carm, rim, wrong)) for each in others]
        plain = [each for each in strengths if each[1] >= PLAIN_FROM]
        other, strength = plain[0] if plain else max(strengths, key=lambda each: each[1])
    return Misplaced(mistake, wrong, reading, found, other, strength)


def telling_in(carm: CArm, planned: Circle, wrong: Circle) -> float:
    """Return how telling any view is by what it shows without landmarks: direction and shape of the rim, and its place.

    The turn of the rim's long axis, the anteversion that its ellipse suggests and the shift of its middle across the
    screen, each over the error of the like cue of :data:`READABLE` (2 deg, 3 deg, 1.5 mm).
    """
    before, after = project_circle(carm, planned), project_circle(carm, wrong)
    turn = abs(before.major_axis_angle_deg - after.major_axis_angle_deg)
    turn = min(turn, 180.0 - turn)
    shape = abs(before.apparent_anteversion_deg - after.apparent_anteversion_deg)
    shift = _shift_mm(carm, planned.center_lps_mm, wrong.center_lps_mm)
    parts = (
        turn / READABLE["inclination_deg"].error if np.isfinite(turn) else 0.0,
        shape / READABLE["suggested_anteversion_deg"].error,
        shift / READABLE["medial_edge_to_teardrop_mm"].error,
    )
    return float(max(parts))


def _shift_mm(carm: CArm, from_lps_mm: Array, to_lps_mm: Array) -> float:
    on_detector = (carm.project(to_lps_mm) - carm.project(from_lps_mm)) * np.asarray(carm.pixel_pitch_mm)
    return float(np.linalg.norm(on_detector)) / carm.magnification(from_lps_mm)
