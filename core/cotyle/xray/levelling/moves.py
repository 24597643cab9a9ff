"""Turn of the picture, roll of the table, tilt of the C-arm: their signs, their words, and how they work together.

The model. A room has the axes left, posterior and superior of a patient who lies straight on the table; its superior
axis is the table's long axis. The C-arm looks from a primary angle (about the table's long axis, to the patient's
left) and a secondary angle (to his head, about the axis that runs across the beam), the picture is turned by an angle
about the beam. These are DICOM's positioner angles of the end of the beam in front of the patient: the detector of a
C-arm with the tube under the table, the tube of one with the tube above. The three are nested like the rings of a
gimbal, so each is a setting of its own: moves made in any order end in the same place, and one move never has to be
made again because of another.

- ``picture_turn_deg``: positive turns the picture clockwise as the viewer sees it.
- ``table_roll_deg``: positive brings the patient's left side up. The same is seen when, instead, the end of the beam in
  front of the patient swings as far to his left.
- ``cranial_deg``: positive tilts the end of the beam in front of the patient towards his head.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.xray.carm import CArm, Tube

MOVE_NAMES = ("picture_turn_deg", "table_roll_deg", "cranial_deg")
# a move of less than this is not worth making; common practice, no source
_LEAVE_BELOW_DEG = 0.5


@dataclass(frozen=True)
class Moves:
    """The three moves in the order of the theatre; signs at the module's top."""

    picture_turn_deg: float
    table_roll_deg: float
    cranial_deg: float

    @property
    def values_deg(self) -> Array:
        """The three as an array, shape (3,)."""
        return np.array([self.picture_turn_deg, self.table_roll_deg, self.cranial_deg])


@dataclass(frozen=True)
class Setting:
    """How machine and picture stand now: the C-arm's two angles on the table, and the picture's turn (clockwise)."""

    primary_deg: float = 0.0
    secondary_deg: float = 0.0
    picture_turned_deg: float = 0.0

    def after(self, moves: Moves) -> Setting:
        """Return the setting once the picture is turned and the C-arm tilted; a roll of the table leaves it."""
        return Setting(
            self.primary_deg,
            self.secondary_deg + moves.cranial_deg,
            self.picture_turned_deg + moves.picture_turn_deg,
        )


@dataclass(frozen=True)
class Reach:
    """How far table and C-arm go to either side, degrees; common practice, no source: ask for your own."""

    table_roll_deg: float = 20.0
    secondary_deg: float = 65.0


def picture_axes(carm: CArm) -> Array:
    """Return the picture's axes as rows left, posterior (into the picture) and superior in LPS, shape (3, 3).

    Columns grow to the patient's left and rows downwards, as the constructors of :mod:`cotyle.xray.carm` make them.
    """
    left, superior = carm.column_direction_lps, -carm.row_direction_lps
    return np.stack([left, np.cross(superior, left), superior])


def setting_axes(setting: Setting) -> Array:
    """Return the picture's axes in the room, rows left, posterior, superior of the picture, shape (3, 3)."""
    primary, secondary = np.deg2rad([setting.primary_deg, setting.secondary_deg])
    left = np.array([np.cos(primary), np.sin(primary), 0.0])
    upward = np.array([-np.sin(primary) * np.sin(secondary), np.cos(primary) * np.sin(secondary), np.cos(secondary)])
    straight = np.stack([left, np.cross(upward, left), upward])
    # a picture turned clockwise has axes turned the other way: its left axis towards up
    turn = np.deg2rad(setting.picture_turned_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.array([[cos, 0.0, sin], [0.0, 1.0, 0.0], [-sin, 0.0, cos]]) @ straight


def setting_of_axes(axes: Array) -> Setting:
    """Return the setting that shows a picture with these axes in the room; inverse of :func:`setting_axes`.

    Closed form and exact: the line of sight gives the two angles, what is left is the turn of the picture.
    """
    front = -axes[1]
    primary = float(np.rad2deg(np.arctan2(front[0], -front[1])))
    secondary = float(np.rad2deg(np.arcsin(np.clip(front[2], -1.0, 1.0))))
    straight = setting_axes(Setting(primary, secondary))
    turn = float(np.rad2deg(np.arctan2(axes[0] @ straight[2], axes[0] @ straight[0])))
    return Setting(primary, secondary, turn)


def room_axes(carm: CArm, setting: Setting) -> Array:
    """Return the room's axes in LPS, rows left, posterior, superior: where the table is if the machine stands so."""
    return np.asarray(setting_axes(setting).T @ picture_axes(carm))


def moves_between(now: Setting, wanted: Setting) -> Moves:
    """Return the moves from one setting to another; a change of the primary angle is made by the table."""
    return Moves(
        _wrapped(wanted.picture_turned_deg - now.picture_turned_deg),
        _wrapped(wanted.primary_deg - now.primary_deg),
        wanted.secondary_deg - now.secondary_deg,
    )


def with_picture_turned(carm: CArm, clockwise_deg: float) -> CArm:
    """Return the pose whose picture is turned about its middle; the beam stays."""
    axis = picture_axes(carm)[1]
    # clockwise content is axes turned against it; into the picture, the right-hand rule turns left towards down
    return _turned(carm, axis, -clockwise_deg, carm.pixel_to_lps(carm.center_px))


def with_table_rolled(carm: CArm, table_lps: Array, left_up_deg: float, about_lps_mm: Array) -> CArm:
    """Return the pose against a pelvis rolled with the table about a line along the table through a point.

    ``table_lps``: unit vector along the table to the head. LPS stays with the patient, so the machine turns the
    other way.
    """
    return _turned(carm, table_lps, left_up_deg, about_lps_mm)


def with_c_arm_tilted(carm: CArm, table_lps: Array, cranial_deg: float, about_lps_mm: Array) -> CArm:
    """Return the pose of a C-arm tilted about its axis across the table through a point; ``table_lps`` as above."""
    front = -picture_axes(carm)[1]
    return _turned(carm, np.cross(front, table_lps), cranial_deg, about_lps_mm)


def with_moves(carm: CArm, setting: Setting, moves: Moves, about_lps_mm: Array) -> CArm:
    """Return the pose after all three moves, one after another in the order of the theatre.

    Parameters
    ----------
    carm:
        The pose now, in the LPS of the CT.
    setting:
        How the machine stands now; it tells where the table's long axis lies in the picture.
    about_lps_mm:
        What stays where it is, shape (3,): table and C-arm turn about lines through this point.
    """
    table = room_axes(carm, setting)[2]
    turned = with_picture_turned(carm, moves.picture_turn_deg)
    rolled = with_table_rolled(turned, table, moves.table_roll_deg, about_lps_mm)
    return with_c_arm_tilted(rolled, table, moves.cranial_deg, about_lps_mm)


def out_of_reach(now: Setting, moves: Moves, reach: Reach) -> tuple[str, ...]:
    """Return one line for each move that table or C-arm can't make."""
    lines = []
    if abs(moves.table_roll_deg) > reach.table_roll_deg:
        lines.append(
            f"a table roll of {abs(moves.table_roll_deg):.0f} deg is beyond the {reach.table_roll_deg:.0f} deg of "
            "the table: swing the C-arm for what is left"
        )
    secondary = now.secondary_deg + moves.cranial_deg
    if abs(secondary) > reach.secondary_deg:
        lines.append(
            f"the C-arm would stand {abs(secondary):.0f} deg {'cranial' if secondary > 0 else 'caudal'}, beyond its "
            f"{reach.secondary_deg:.0f} deg"
        )
    return tuple(lines)


def move_words(name: str, value_deg: float | None, sd_deg: float | None, tube: Tube) -> str:
    """Return one move as a line that can be followed in theatre.

    Parameters
    ----------
    name:
        One of :data:`MOVE_NAMES`.
    value_deg:
        The move; None where it is not settled.
    sd_deg:
        One standard deviation; None for an exact pose.
    tube:
        Tells what the end of the beam in front of the patient is.
    """
    if value_deg is None:
        return f"{SUBJECT[name]}: not settled by what was clicked"
    exact = sd_deg is None or sd_deg < 0.5
    size = f"{abs(value_deg):.1f} deg" if exact else f"{abs(value_deg):.0f} deg"
    if sd_deg is not None:
        size += f" (give or take {1.96 * sd_deg:.1f})"
    if abs(value_deg) < _LEAVE_BELOW_DEG:
        return f"{SUBJECT[name]}: leave it as it is, {size} off"
    positive = value_deg > 0
    end = "tube" if tube is Tube.OVER_TABLE else "detector"
    match name:
        case "picture_turn_deg":
            return f"turn the picture {size} {'clockwise' if positive else 'counter-clockwise'}"
        case "table_roll_deg":
            side = "left" if positive else "right"
            return (
                f"roll the table {size}, patient's {side} side up (or swing the C-arm's {end} as far to the "
                f"patient's {side})"
            )
        case _:
            way, goal = ("cranial", "head") if positive else ("caudal", "feet")
            return f"tilt the C-arm {size} {way} ({end} towards the {goal})"


SUBJECT = {
    "picture_turn_deg": "turn of the picture",
    "table_roll_deg": "roll of the table",
    "cranial_deg": "tilt of the C-arm",
}


def check_way_round(axes: Array, expected: Array) -> None:
    """Refuse a picture that is mirrored, upside down or lies on its side against what its view should show.

    Both are rows left, posterior, superior of the picture, in the same frame.

    Raises
    ------
    InputError
        ``levelling-picture``.
    """
    if min(float(row @ other) for row, other in zip(axes, expected, strict=True)) < 0.5:
        raise InputError(
            "levelling-picture",
            "the picture lies more than 60 deg from its view: it may be mirrored, upside down, or another view",
            "Turn or mirror the picture so that columns run to the patient's left and rows to the feet",
        )


def _turned(carm: CArm, axis: Array, angle_deg: float, about_lps_mm: Array) -> CArm:
    rotation = rotation_matrix(axis, angle_deg)
    return carm.moved(rigid_matrix(rotation, about_lps_mm - rotation @ about_lps_mm))


def _wrapped(angle_deg: float) -> float:
    return float((angle_deg + 180.0) % 360.0 - 180.0)
