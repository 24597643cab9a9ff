"""From a real picture and a rough idea of the view to the pose of the C-arm against the bone, coarse to fine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.bone_model import BoneModel
from cotyle.xray.registration.first_match import FIRST_MM, FIRST_PX, GOOD_ENOUGH, Shown, explained, first_matches
from cotyle.xray.registration.linear import linear_at, sandwich
from cotyle.xray.registration.machine_check import MachineCheck, check_machine
from cotyle.xray.registration.motion import Handle, handle_of, in_radians
from cotyle.xray.registration.quality import Quality, quality_of
from cotyle.xray.registration.refine import refine
from cotyle.xray.registration.verdict import judged
from cotyle.xray.verdict import Verdict

# the first once more: of several pictures the motion found is a common one
_LEVELS = ((FIRST_PX, FIRST_MM), (256, 1.6), (384, 0.0))
_CHECK_PX, _CHECK_MM = 256, 1.6
"""Longest side of the picture and voxel size of the bone, level by level."""

# What the scatter of the residuals does not know: the same error all over the picture. Chosen on the simulated theatre
# pictures, see docs/methods/registration.md.
_SCATTER_FACTOR = 1.6
_COMMON_SD = np.array([0.03, 0.03, 0.018, 0.035, 0.035, 0.2])


@dataclass(frozen=True, eq=False)
class RoughPose:
    """Where the C-arm may stand, before the picture was looked at.

    Parameters
    ----------
    carm:
        Rough pose, of the size of the picture.
    pivot_lps_mm:
        Point of the bone that the picture is centred on.
    sd:
        One standard deviation of the six numbers (see :mod:`cotyle.xray.registration.motion`) about it.
    """

    carm: CArm
    pivot_lps_mm: Array
    sd: tuple[float, float, float, float, float, float] = (6.0, 6.0, 4.0, 15.0, 15.0, 25.0)


@dataclass(frozen=True, eq=False)
class Registration:
    """Where the C-arm stood.

    Parameters
    ----------
    carm:
        Pose of the C-arm in the CT's space.
    handle:
        Axes of its detector and the point that ``covariance`` refers to.
    covariance:
        6x6, of the six numbers (see :mod:`cotyle.xray.registration.motion`), for the machine as stated.
    quality:
        How well edges agree.
    machine:
        What the picture says of the machine itself, and what an error there would do to the pose.
    verdict, reasons:
        ``converged``, ``doubtful`` or ``failed``, and why it is not the first, each a sentence.
    """

    carm: CArm
    handle: Handle
    covariance: Array
    quality: Quality
    machine: MachineCheck
    verdict: Verdict
    reasons: tuple[str, ...]

    @property
    def sd(self) -> Array:
        """One standard deviation of each of the six numbers, deg and mm."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def covariance_of(self, handle: Handle) -> Array:
        """Return the covariance of the six numbers of another handle, 6x6."""
        change = self.handle.to(handle)
        covariance = change @ self.covariance @ change.T
        # rounding must not make it lopsided
        return np.asarray(0.5 * (covariance + covariance.T))

    def lps_covariance_at(self, point_lps_mm: Array) -> Array:
        """Return the covariance of turns (rad) about the LPS axes through a point, then shifts (mm), 6x6."""
        return in_radians(self.covariance_of(Handle(point_lps_mm, np.eye(3))))


def register(picture: Radiograph, rough: RoughPose, bone: BoneModel, seed: int = 0) -> Registration:
    """Return the pose of the C-arm that took a picture.

    A cloud of poses is searched at a small size; from its best one the match is refined at three sizes. Where the first
    of these explains little, a wide search follows and the best is kept. The same seed gives the same pose.

    Raises
    ------
    InputError
        ``registration-size`` if picture and rough pose differ in size.
    """
    return register_together([picture], [rough], bone, seed)[0]


def register_together(
    pictures: Sequence[Radiograph], roughs: Sequence[RoughPose], bone: BoneModel, seed: int = 0
) -> list[Registration]:
    """Return the poses of several pictures of one pelvis that lay still, searched as one, then refined one by one.

    Parameters
    ----------
    pictures, bone:
        As in :func:`register`.
    roughs:
        One for each picture; their C-arms stand to each other as the machine says that it moved.

    Raises
    ------
    InputError
        As :func:`register`.
    """
    if any(picture.size != rough.carm.size for picture, rough in zip(pictures, roughs, strict=True)):
        raise InputError("registration-size", "the picture and the rough pose of the C-arm differ in size")
    handle = handle_of(roughs[0].carm, roughs[0].pivot_lps_mm)
    shown = [Shown(picture, rough.carm) for picture, rough in zip(pictures, roughs, strict=True)]
    found: list[Registration] = []
    for enough in (GOOD_ENOUGH, np.inf):
        first = first_matches(shown, handle, np.array(roughs[0].sd), bone, seed, enough)
        motions = [match.motion for match in first]
        again = [_refined(each, rough, motions, bone) for each, rough in zip(shown, roughs, strict=True)]
        found = [better(one, other) for one, other in zip(found, again, strict=True)] if found else again
        # one that seemed good enough at the first size and is not at the last was the wrong one
        if len(first) > 1 or all(each.verdict is Verdict.CONVERGED for each in found):
            break
    return found


def better(one: Registration, other: Registration) -> Registration:
    """Return the one with the better verdict, and of two alike the one that explains more."""
    order = (Verdict.CONVERGED, Verdict.DOUBTFUL, Verdict.FAILED)
    return min((one, other), key=lambda each: (order.index(each.verdict), -each.quality.explained))


def _refined(shown: Shown, rough: RoughPose, motions: Sequence[Array], bone: BoneModel) -> Registration:
    """Refine one picture from each of some motions of its rough pose; the one that explains most is kept."""
    for longest, level_mm in _LEVELS:
        view = shown.fine(longest)
        matches = [refine([view], bone.levels[level_mm], rough.pivot_lps_mm, motion) for motion in motions]
        match = max(matches, key=lambda each: explained([view], each))
        # several are told apart at the first size that is larger than that of the search
        motions = [match.motion] if longest > FIRST_PX else [each.motion for each in matches]
    covariance = _SCATTER_FACTOR**2 * sandwich(match.linear[0]) + np.diag(_COMMON_SD**2)
    found = rough.carm.moved(match.motion)
    at_found = handle_of(found, rough.pivot_lps_mm)
    from_rough = handle_of(rough.carm, rough.pivot_lps_mm).numbers_of(match.motion)
    quality, machine = _checks(Shown(shown.picture, found), at_found, bone)
    verdict, reasons = judged(quality, match.settled, from_rough / np.array(rough.sd))
    return Registration(found, at_found, covariance, quality, machine, verdict, (*reasons, *machine.doubts))


def _checks(found: Shown, handle: Handle, bone: BoneModel) -> tuple[Quality, MachineCheck]:
    view = found.fine(_CHECK_PX)
    linear = linear_at(view.fixed, bone.levels[_CHECK_MM], view.carm, handle, np.zeros(6), central=True)
    return quality_of(view.fixed, linear), check_machine(linear, bone.levels[_CHECK_MM], view.carm, handle)
