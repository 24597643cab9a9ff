"""From a real picture and a rough idea of the view to the pose of the C-arm against the bone, coarse to fine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.bone_model import BoneModel
from cotyle.xray.registration.edges import edge_picture
from cotyle.xray.registration.linear import linear_at, sandwich
from cotyle.xray.registration.machine_check import MachineCheck, check_machine
from cotyle.xray.registration.motion import Handle, handle_of, in_radians
from cotyle.xray.registration.quality import Quality, quality_of
from cotyle.xray.registration.refine import Match, refine
from cotyle.xray.registration.search import search
from cotyle.xray.registration.verdict import judged
from cotyle.xray.verdict import Verdict

_SEARCHES = (
    (64, 3.2, 1.0, 720),
    (64, 3.2, 2.0, 1800),
    (64, 3.2, 2.5, 1800),
    (96, 3.2, 1.5, 1000),
    (128, 1.6, 2.0, 1400),
)
"""Longest side of the picture, voxel size of the bone, width of the cloud and its number of pictures, of one search
after another."""
_GOOD_ENOUGH = 0.6
"""Share explained at the first fine level that makes a further search needless."""

_FIRST_PX, _FIRST_MM = 128, 1.6
_LAST_LEVELS = ((256, 1.6), (384, 0.0))
_CHECK_PX, _CHECK_MM = 256, 1.6
"""Longest side of the picture and voxel size of the bone, level by level."""

# What the scatter of the residuals does not know: the same error all over the picture. Chosen on the simulated theatre
# pictures, see docs/methods/registration.md.
_SCATTER_FACTOR = 1.5
_COMMON_SD = np.array([0.03, 0.03, 0.015, 0.03, 0.03, 0.3])


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
    of these explains little, clouds at larger sizes are tried and the best is kept. The same seed gives the same pose.

    Raises
    ------
    InputError
        ``registration-size`` if picture and rough pose differ in size.
    """
    if picture.size != rough.carm.size:
        raise InputError("registration-size", "the picture and the rough pose of the C-arm differ in size")
    handle = handle_of(rough.carm, rough.pivot_lps_mm)
    match = _first_match(picture, rough, handle, bone, seed)
    for longest, level_mm in _LAST_LEVELS:
        carm = rough.carm.resized(_of_longest(picture.size, longest))
        fixed = edge_picture(picture.attenuation, picture.usable, carm.size)
        match = refine(fixed, bone.levels[level_mm], carm, handle, match.numbers)
    covariance = _SCATTER_FACTOR**2 * sandwich(match.linear) + np.diag(_COMMON_SD**2)
    found = handle.moved(rough.carm, match.numbers)
    quality, machine = _checks(picture, found, handle_of(found, rough.pivot_lps_mm), bone)
    verdict, reasons = judged(quality, match.settled, match.numbers / np.array(rough.sd))
    return Registration(
        found, handle_of(found, rough.pivot_lps_mm), covariance, quality, machine, verdict, (*reasons, *machine.doubts)
    )


def _checks(picture: Radiograph, found: CArm, handle: Handle, bone: BoneModel) -> tuple[Quality, MachineCheck]:
    carm = found.resized(_of_longest(picture.size, _CHECK_PX))
    fixed = edge_picture(picture.attenuation, picture.usable, carm.size)
    linear = linear_at(fixed, bone.levels[_CHECK_MM], carm, handle, np.zeros(6))
    return quality_of(fixed, linear), check_machine(fixed, linear, bone.levels[_CHECK_MM], carm)


def _first_match(picture: Radiograph, rough: RoughPose, handle: Handle, bone: BoneModel, seed: int) -> Match:
    larger = _of_longest(picture.size, _FIRST_PX)
    fine = edge_picture(picture.attenuation, picture.usable, larger)
    best, most = None, -np.inf
    for attempt, (longest, level_mm, wide, pictures) in enumerate(_SEARCHES):
        small = _of_longest(picture.size, longest)
        coarse = edge_picture(picture.attenuation, picture.usable, small)
        carm, cloud = rough.carm.resized(small), len(_SEARCHES) * seed + attempt
        found = search(coarse, bone.levels[level_mm], carm, handle, rough.sd, pictures, cloud, wide)
        match = refine(fine, bone.levels[_FIRST_MM], rough.carm.resized(larger), handle, found)
        explained = quality_of(fine, match.linear).explained
        if best is None or explained > most:
            best, most = match, explained
        if explained > _GOOD_ENOUGH:
            break
    assert best is not None
    return best


def _of_longest(size: tuple[int, int], longest: int) -> tuple[int, int]:
    """Return columns and rows of a smaller copy; a picture is never made larger."""
    factor = min(1.0, longest / max(size))
    return max(8, round(size[0] * factor)), max(8, round(size[1] * factor))
