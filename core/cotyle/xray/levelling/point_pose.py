"""The pose of a C-arm from a few points clicked on its picture: enough to level by, and to begin a registration with.

The CT knows each landmark in space, so the clicks fix the pose as far as they go (see
:mod:`cotyle.xray.levelling.point_fit`). What they do not settle stays as wide as the view's name leaves it, and is
said. Points of a contour (ilio-ischial line, ends of the obturator foramen) are looked for on the bone again after each
step.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.landmarks import Landmarks
from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.click_tests import WRONG_CLICK_MM, ClickTest, misfit, unguarded
from cotyle.xray.levelling.clicks import check_layout, checked_clicks, meaning_of
from cotyle.xray.levelling.cue_shares import Support, support_of
from cotyle.xray.levelling.levelling import SETTLED_WITHIN_DEG, slopes_of
from cotyle.xray.levelling.moves import MOVE_NAMES, SUBJECT, Setting
from cotyle.xray.levelling.point_fit import PointFit
from cotyle.xray.levelling.point_task import Known, PointTask, without_wrong_clicks
from cotyle.xray.registration.motion import Handle, in_radians
from cotyle.xray.views import Machine, ViewName, named_view, view_angles_deg

# what a machine that is only assumed may differ by: enlargement 10 %, middle of the picture 15 mm; ours
ASSUMED_SCALE, ASSUMED_MIDDLE_MM = 0.1, 15.0
# scatter so great is chance once in a thousand
_SCATTER_BELOW = 0.001
# a pose so many SDs of the prior from the view's nominal one is not the view
_FAR_SDS = 2.0


class Trust(StrEnum):
    """Whether the pose may be used as it stands, or its doubts are to be read first. No pose: InputError."""

    CONVERGED = "converged"
    DOUBTFUL = "doubtful"


@dataclass(frozen=True)
class Doubt:
    """One doubt: a stable code, and one sentence for the surgeon."""

    code: str
    text: str


_GRAVE = frozenset({"click-off", "click-unchecked", "clicks-scatter", "move-unsettled", "pose-far"})


@dataclass(frozen=True, eq=False)
class PointPose:
    """A pose from clicked points.

    Parameters
    ----------
    carm:
        Pose in the CT's LPS.
    covariance:
        6x6 of the C-arm's motion against the bone: turn in rad about the LPS axes through ``about_lps_mm``, then shift
        in mm. Widened where the clicks scatter more than was stated.
    about_lps_mm:
        Hip centre of the side, or midway between both hips.
    view_deg:
        Primary and secondary angle of the view it was taken for.
    used, left_out:
        Clicks that the pose rests on; clicks that do not fit the others.
    residual_mm:
        Root-mean-square distance of the clicks used from where the pose puts them, at the hip.
    support:
        For each move, what it rests on.
    unsettled:
        Moves that the clicks do not settle.
    doubts:
        What to know before using it.
    """

    carm: CArm
    covariance: Array
    about_lps_mm: Array
    view_deg: tuple[float, float]
    used: tuple[str, ...]
    left_out: tuple[str, ...]
    residual_mm: float
    support: Mapping[str, Support]
    unsettled: tuple[str, ...]
    doubts: tuple[Doubt, ...]

    @property
    def trust(self) -> Trust:
        """``doubtful`` where a move is not settled, or clicks do not fit or do not check each other."""
        return Trust.DOUBTFUL if any(doubt.code in _GRAVE for doubt in self.doubts) else Trust.CONVERGED

    @property
    def words(self) -> tuple[str, ...]:
        """Which clicks were used, what each move rests on, and the doubts."""
        kinds = list(dict.fromkeys(meaning_of(name).words for name in self.used))
        lines = [f"used: {', '.join(kinds)}"]
        for name, support in self.support.items():
            if name not in self.unsettled:
                lines.append(f"{SUBJECT[name]} rests on {support.leading}: {support.mm_per_deg:.1f} mm per degree")
        return (*lines, *(doubt.text for doubt in self.doubts))


def pose_from_points(
    clicked: Mapping[str, npt.ArrayLike],
    known: Known,
    machine: Machine,
    view: ViewName | str,
    *,
    side: Side | None = None,
    angle_deg: float | None = None,
    machine_assumed: bool = False,
) -> PointPose:
    """Return the pose of the C-arm whose picture of a named view was clicked.

    Parameters
    ----------
    clicked:
        (column, row) by name, see :data:`cotyle.xray.levelling.clicks.CLICK_NAMES`.
    known:
        Landmarks, frame and surfaces of the case, and how sure a click is.
    machine:
        Distances and pixels of the picture.
    view, side, angle_deg:
        As in :func:`cotyle.xray.views.named_view`.
    machine_assumed:
        The distances or the pixel pitch are not the machine's own: enlargement and the middle of the picture are
        then unknowns too.

    Raises
    ------
    InputError
        ``click-name``, ``click-place``, ``clicks-swapped``, ``clicks-mirrored``, ``clicks-upside-down``; ``clicks-few``
        for less than two of use; ``clicks-disagree`` if they fit no pose of this pelvis, or it can't be told which is
        wrong.
    """
    places = {name: mark.lps_mm for name, mark in known.landmarks.items()}
    start = named_view(view, known.frame, places, side, machine, angle_deg).carm
    prior = known.prior
    if machine_assumed:
        middle_px = ASSUMED_MIDDLE_MM / float(np.mean(machine.pixel_pitch_mm))
        prior = replace(prior, scale=ASSUMED_SCALE, middle_px=middle_px)
    angles = view_angles_deg(ViewName(view), side, angle_deg)
    return pose_near(clicked, replace(known, prior=prior), start, angles, side)


def pose_near(
    clicked: Mapping[str, npt.ArrayLike],
    known: Known,
    nominal: CArm,
    view_deg: tuple[float, float],
    side: Side | None = None,
) -> PointPose:
    """Return the pose near any nominal one; parameters and errors as in :func:`pose_from_points`."""
    clicks = checked_clicks(clicked, nominal)
    task = PointTask(known, nominal, clicks, Handle(_pivot(known.landmarks, side), np.eye(3)))
    check_layout(clicks, task.places, nominal)
    fit, left_out = without_wrong_clicks(task, task.usable(view_deg[0]))
    return _report(task, fit, left_out, view_deg)


def _report(task: PointTask, fit: PointFit, left_out: Sequence[ClickTest], view_deg: tuple[float, float]) -> PointPose:
    ratio, likelihood = misfit(fit)
    widened = max(1.0, ratio)
    covariance = widened * in_radians(fit.covariance[:6, :6])
    # moves against the six numbers: only turns count, in deg for deg
    slopes = np.zeros((3, fit.covariance.shape[0]))
    slopes[:, :3] = np.deg2rad(slopes_of(fit.carm, task.known.frame, Setting(*view_deg))[3:])
    sds = np.sqrt(widened * np.einsum("ai,ij,aj->a", slopes, fit.covariance, slopes))
    sure = sds <= SETTLED_WITHIN_DEG
    unsettled = tuple(name for name, known in zip(MOVE_NAMES, sure, strict=True) if not known)
    support = {name: support_of(slope, fit, task.mm_per_px) for name, slope in zip(MOVE_NAMES, slopes, strict=True)}
    used = tuple(each.name for each in fit.sightings)
    doubts = [
        *_doubts_of_clicks(task, used, left_out, unguarded(fit, slopes[sure], task.mm_per_px)),
        *_doubts_of_moves(unsettled, sds),
    ]
    far = np.abs(fit.unknowns[:6] / task.known.prior.sds[:6])
    if far.max() > _FAR_SDS:
        turn, shift = float(np.linalg.norm(fit.unknowns[:3])), float(np.linalg.norm(fit.unknowns[3:6]))
        text = f"the pose lies {turn:.0f} deg and {shift:.0f} mm from its view: check the view and which way up it is"
        doubts.append(Doubt("pose-far", text))
    if likelihood < _SCATTER_BELOW and not left_out:
        text = f"the clicks scatter {np.sqrt(ratio):.1f} times as much as was stated; the intervals were widened"
        doubts.append(Doubt("clicks-scatter", text))
    return PointPose(
        carm=fit.carm,
        covariance=read_only(covariance),
        about_lps_mm=task.handle.pivot_lps_mm,
        view_deg=view_deg,
        used=used,
        left_out=tuple(each.name for each in left_out),
        residual_mm=task.residual_mm(fit),
        support=support,
        unsettled=unsettled,
        doubts=tuple(doubts),
    )


def _doubts_of_clicks(
    task: PointTask, used: Sequence[str], left_out: Sequence[ClickTest], open_to_error: Sequence[str]
) -> list[Doubt]:
    doubts = [
        Doubt("click-off", f"the click on {each.name} lies {each.off_mm:.0f} mm off the others and was left out")
        for each in left_out
    ]
    aside = [name for name in task.clicks if name not in used and name not in {each.name for each in left_out}]
    if aside:
        text = f"not used, because the CT does not show where to expect it in this view: {', '.join(aside)}"
        doubts.append(Doubt("click-unused", text))
    if open_to_error:
        text = (
            f"a click {WRONG_CLICK_MM:.0f} mm off would go unnoticed at {', '.join(open_to_error)}: "
            "look at it again, or click more"
        )
        doubts.append(Doubt("click-unchecked", text))
    return doubts


def _doubts_of_moves(unsettled: Sequence[str], sds: Array) -> list[Doubt]:
    spread = dict(zip(MOVE_NAMES, sds, strict=True))
    return [
        Doubt(
            "move-unsettled",
            f"the {SUBJECT[name]} is not settled by these clicks (give or take {1.96 * spread[name]:.0f} deg): click "
            f"{_WOULD_SETTLE[name]}",
        )
        for name in unsettled
    ]


_WOULD_SETTLE = {
    "picture_turn_deg": "both teardrops or both hip centres",
    "table_roll_deg": "symphysis and sacral midline, or both ilio-ischial lines",
    "cranial_deg": "symphysis or tip of the coccyx, and the tops and bottoms of both foramina",
}


def _pivot(landmarks: Landmarks, side: Side | None) -> Array:
    """Hip centre of the side; without a side, or where it is not known, the middle of what hip centres there are."""
    names = [f"hip_center_{side}"] if side is not None else []
    names = [name for name in names if name in landmarks] or [f"hip_center_{s}" for s in Side]
    points = [landmarks[name].lps_mm for name in names if name in landmarks]
    if not points:
        raise InputError("clicks-landmarks", "a pose from clicks needs the centre of at least one hip in the CT")
    return read_only(np.mean(points, axis=0))
