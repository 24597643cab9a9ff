"""How the pelvis lies to the beam, and the moves that make it level or bring it to a wanted posture.

Angles are those of :mod:`cotyle.anatomy.pelvis`, read off a frame's axes written in the axes of the picture (left,
into the picture, up): what the beam sees of the frame, from the detector's normal and not from the ray to any point.
Zero is level. For a view that is not straight from the front they are taken after the view's own angles: zero is when
the picture is exactly that view of the frame.

Moves are solved in closed form (see :mod:`cotyle.xray.levelling.moves`): the picture that would show the frame as
wanted, written in the axes of the table, tells turn, roll and tilt at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.pelvis import Posture, app_axes_from_angles, posture_of
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.levelling.moves import (
    MOVE_NAMES,
    Moves,
    Reach,
    Setting,
    check_way_round,
    move_words,
    moves_between,
    out_of_reach,
    picture_axes,
    room_axes,
    setting_axes,
    setting_of_axes,
)

LEVEL = Posture(0.0, 0.0, 0.0)
ANGLE_NAMES = ("anterior_tilt_deg", "rotation_to_left_deg", "left_up_deg")
# an angle known less well than this (one SD) is no help to who moves a table; ours
SETTLED_WITHIN_DEG = 5.0
_STEP_DEG = 0.01


@dataclass(frozen=True)
class FrameLevelling:
    """One frame against the beam.

    Parameters
    ----------
    frame_name:
        ``app``, ``supine``, ``standing`` or another.
    posture:
        Tilt, rotation and obliquity as the beam sees them.
    moves:
        What brings the frame to the wanted posture.
    posture_sd, moves_sd:
        One standard deviation from the pose's covariance; None for a pose taken as exact. The frame's own uncertainty
        (``Pelvis.uncertainty``) is not in it.
    unsettled:
        Names of angles and moves that the pose does not tell (SD above :data:`SETTLED_WITHIN_DEG`): not to be used.
    out_of_reach:
        One line for each move beyond table or C-arm.
    tube:
        Where the tube stands.
    """

    frame_name: str
    posture: Posture
    moves: Moves
    posture_sd: Posture | None
    moves_sd: Moves | None
    unsettled: tuple[str, ...]
    out_of_reach: tuple[str, ...]
    tube: Tube

    @property
    def words(self) -> tuple[str, ...]:
        """The moves as lines to follow, in the order of the theatre, then what is out of reach."""
        lines = []
        for name in MOVE_NAMES:
            value = None if name in self.unsettled else getattr(self.moves, name)
            sd = None if self.moves_sd is None else getattr(self.moves_sd, name)
            lines.append(move_words(name, value, sd, self.tube))
        return (*lines, *self.out_of_reach)

    def as_fields(self) -> dict[str, object]:
        """Return the fields of ``comparison-<n>.json``; null where it is not settled, ``..._sd_deg`` beside them."""
        angles = {name: self._value(self.posture, name) for name in ANGLE_NAMES}
        moves = {name: self._value(self.moves, name) for name in MOVE_NAMES}
        fields: dict[str, object] = {**angles, "moves": moves, "words": list(self.words)}
        if self.posture_sd is not None and self.moves_sd is not None:
            fields["sd"] = {name: getattr(self.posture_sd, name) for name in ANGLE_NAMES} | {
                name: getattr(self.moves_sd, name) for name in MOVE_NAMES
            }
        return fields

    def _value(self, holder: Posture | Moves, name: str) -> float | None:
        return None if name in self.unsettled else float(getattr(holder, name))


@dataclass(frozen=True)
class Levelling:
    """Each frame against the beam, by its name."""

    frames: Mapping[str, FrameLevelling]

    def __getitem__(self, name: str) -> FrameLevelling:
        if name not in self.frames:
            raise InputError("levelling-frame", f"there is no frame {name!r}", f"Choose from {', '.join(self.frames)}")
        return self.frames[name]

    def as_fields(self) -> dict[str, object]:
        """Return ``levelling`` of ``comparison-<n>.json``."""
        return {name: each.as_fields() for name, each in self.frames.items()}


def levelling_of(
    carm: CArm,
    frames: Mapping[str, Frame],
    view_deg: tuple[float, float] = (0.0, 0.0),
    *,
    wanted: Posture = LEVEL,
    machine: Setting | None = None,
    covariance: npt.ArrayLike | None = None,
    reach: Reach | None = None,
) -> Levelling:
    """Return how frames of the pelvis lie to the beam, and the moves that bring each to a posture.

    Parameters
    ----------
    carm:
        Registered pose in the CT's LPS; columns to the patient's left, rows downwards.
    frames:
        By name, such as ``Pelvis.frames``.
    view_deg:
        Primary and secondary angle of the view, see :func:`cotyle.xray.views.view_angles_deg`; 0, 0 from the front.
    wanted:
        Posture that each frame is to have in the room after the moves; level by default.
    machine:
        How C-arm and picture stand now, which tells where the table's long axis lies in the picture. By default at the
        view's angles, picture not turned: the table runs up and down in an AP picture.
    covariance:
        3x3 or 6x6 of the pose: rotation (rad) of the C-arm against the bone about the LPS axes first. None: exact.
    reach:
        Of table and C-arm.

    Raises
    ------
    InputError
        ``levelling-picture`` if the picture lies more than 60 deg from the view (mirrored, upside down, another view),
        ``levelling-covariance``.
    """
    now = machine if machine is not None else Setting(*view_deg)
    limits = reach if reach is not None else Reach()
    spread = None if covariance is None else _rotation_covariance(covariance)
    return Levelling(
        {name: _frame_levelling(carm, frame, view_deg, wanted, now, spread, limits) for name, frame in frames.items()}
    )


def _frame_levelling(
    carm: CArm,
    frame: Frame,
    view_deg: tuple[float, float],
    wanted: Posture,
    now: Setting,
    spread: Array | None,
    reach: Reach,
) -> FrameLevelling:
    view = Setting(*view_deg)
    check_way_round(picture_axes(carm), setting_axes(view) @ frame.axes)
    posture, moves = _seen(carm, frame, view), _moves(carm, frame, view, wanted, now)
    sds: Array | None = None
    unsettled: tuple[str, ...] = ()
    if spread is not None:
        slopes = slopes_of(carm, frame, view, wanted, now)
        sds = np.sqrt(np.einsum("ij,jk,ik->i", slopes, spread, slopes))
        names = (*ANGLE_NAMES, *MOVE_NAMES)
        unsettled = tuple(name for name, sd in zip(names, sds, strict=True) if sd > SETTLED_WITHIN_DEG)
    beyond = () if set(MOVE_NAMES) <= set(unsettled) else out_of_reach(now, _known(moves, unsettled), reach)
    return FrameLevelling(
        frame_name=frame.name,
        posture=posture,
        moves=moves,
        posture_sd=None if sds is None else Posture(*(float(sd) for sd in sds[:3])),
        moves_sd=None if sds is None else Moves(*(float(sd) for sd in sds[3:])),
        unsettled=unsettled,
        out_of_reach=beyond,
        tube=carm.tube,
    )


def _seen(carm: CArm, frame: Frame, view: Setting) -> Posture:
    room = room_axes(carm, view)
    left, posterior, superior = frame.axes @ room.T
    # a product of rotations is orthonormal but for rounding, which Frame checks
    return posture_of(Frame(frame.name, np.zeros(3), left, posterior, superior))


def _moves(carm: CArm, frame: Frame, view: Setting, wanted: Posture, now: Setting) -> Moves:
    """The picture wanted is the view's picture of a room in which the frame has the posture."""
    wanted_room = app_axes_from_angles(wanted).T @ frame.axes
    wanted_picture = setting_axes(view) @ wanted_room
    return moves_between(now, setting_of_axes(wanted_picture @ room_axes(carm, now).T))


def slopes_of(carm: CArm, frame: Frame, view: Setting, wanted: Posture = LEVEL, now: Setting | None = None) -> Array:
    """Return how angles and moves change, in degrees for each radian that the C-arm turns about the LPS axes.

    Shape (6, 3): rows as in :data:`ANGLE_NAMES`, then :data:`~cotyle.xray.levelling.moves.MOVE_NAMES`. By central
    differences.
    """
    machine = view if now is None else now

    def both(turned: CArm) -> Array:
        seen = _seen(turned, frame, view)
        angles = [getattr(seen, name) for name in ANGLE_NAMES]
        return np.concatenate([angles, _moves(turned, frame, view, wanted, machine).values_deg])

    columns = []
    for axis in np.eye(3):
        plus, minus = (both(carm.moved(rigid_matrix(rotation_matrix(axis, s * _STEP_DEG)))) for s in (1, -1))
        columns.append((plus - minus) / np.deg2rad(2 * _STEP_DEG))
    return np.stack(columns, axis=1)


def _rotation_covariance(covariance: npt.ArrayLike) -> Array:
    matrix = np.asarray(covariance, dtype=float)
    if matrix.shape not in ((3, 3), (6, 6)) or not np.isfinite(matrix).all():
        raise InputError("levelling-covariance", "the pose's covariance must be 3x3 or 6x6 and finite")
    spread = matrix[:3, :3]
    uneven = np.abs(spread - spread.T).max() > 1e-9 + 1e-6 * np.abs(spread).max()
    if uneven or np.linalg.eigvalsh(spread).min() < -1e-12:
        raise InputError("levelling-covariance", "the pose's covariance is not symmetric and positive")
    return np.asarray(spread)


def _known(moves: Moves, unsettled: tuple[str, ...]) -> Moves:
    return Moves(*(0.0 if name in unsettled else getattr(moves, name) for name in MOVE_NAMES))
