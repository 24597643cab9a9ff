"""Several pictures of one pelvis, the C-arm's motion between them known: what one sees badly another sees well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.bone_model import BoneModel
from cotyle.xray.registration.motion import Handle, handle_of, pose_between
from cotyle.xray.registration.register import Registration, RoughPose, register
from cotyle.xray.verdict import Verdict

MACHINE_SD = (0.5, 2.0)
"""How well a machine tells its own motion by default, deg and mm: one standard deviation (our choice)."""

_UNLIKELY = 1e-3
_TIED_SD = (2.0, 2.0, 2.0, 6.0, 6.0, 10.0)
"""How far a pose may be from where another picture puts it: the machine's error, and that pose's own in depth."""


@dataclass(frozen=True, eq=False)
class JoinedViews:
    """Registrations of several pictures, each bettered by the others.

    Parameters
    ----------
    registrations:
        In the order of the pictures.
    agree:
        Whether the pictures fit one pelvis that lay still and the stated motion of the machine.
    apart_deg, apart_mm:
        The turn and the shift, at the point given, by which the worst one disagrees with the first.
    """

    registrations: tuple[Registration, ...]
    agree: bool
    apart_deg: float
    apart_mm: float


def register_again(
    picture: Radiograph, before: Registration, expected: CArm, point_lps_mm: npt.ArrayLike, bone: BoneModel
) -> Registration:
    """Match a picture once more from where a picture that converged says that the C-arm stood; the better one is kept.

    Parameters
    ----------
    picture, bone:
        As in :func:`~cotyle.xray.registration.register.register`.
    before:
        What was found without help.
    expected:
        Pose by the other picture and the machine's motion between the two.
    point_lps_mm:
        Point of the bone that the picture is centred on.
    """
    again = register(picture, RoughPose(expected, as_vector(point_lps_mm, "point"), _TIED_SD), bone)
    order = (Verdict.CONVERGED, Verdict.DOUBTFUL, Verdict.FAILED)
    return again if order.index(again.verdict) < order.index(before.verdict) else before


def join_views(
    registrations: Sequence[Registration],
    expected: Sequence[CArm],
    point_lps_mm: npt.ArrayLike,
    machine_sd: tuple[float, float] = MACHINE_SD,
) -> JoinedViews:
    """Join pictures that were registered one by one.

    Near each pose its error is taken as normally distributed with its covariance, and so is the machine's error about
    its motion; the most probable poses then solve linear equations.

    Parameters
    ----------
    registrations:
        Two or more.
    expected:
        Where the C-arm of each further picture stands if the pose of the first is right and the machine moved as it
        says, one for each registration but the first.
    point_lps_mm:
        Point of the bone that ``machine_sd`` holds for, such as the hip centre.
    machine_sd:
        One standard deviation of the machine's motion, deg about each axis and mm along each.

    Raises
    ------
    InputError
        ``registration-join`` unless there are two or more pictures and an expected pose for each but the first.
    """
    if len(registrations) < 2 or len(expected) != len(registrations) - 1:
        raise InputError("registration-join", "two or more pictures are joined, each with a motion from the first")
    common = Handle(as_vector(point_lps_mm, "point"), np.eye(3))
    machine = np.diag(np.repeat(np.square(np.array(machine_sd, dtype=float)), 3))
    count = len(registrations)
    covariances = [each.covariance_of(common) for each in registrations]
    information = np.zeros((6 * count, 6 * count))
    right = np.zeros(6 * count)
    worst, agree = np.zeros(6), True
    for which, covariance in enumerate(covariances):
        _add(information, which, which, _inverse(covariance))
    for which, (each, carm) in enumerate(zip(registrations[1:], expected, strict=True), start=1):
        # small motions x of the found poses to the true ones obey x_i = x_0 + apart, up to the machine's error
        apart = common.numbers_of(pose_between(each.carm, carm))
        weight = _inverse(machine)
        for row, sign_row in ((which, 1.0), (0, -1.0)):
            right[6 * row : 6 * row + 6] += sign_row * weight @ apart
            for column, sign in ((which, 1.0), (0, -1.0)):
                _add(information, row, column, sign_row * sign * weight)
        distance = apart @ np.linalg.solve(covariances[0] + covariances[which] + machine, apart)
        agree &= bool(chi2.sf(distance, 6) > _UNLIKELY)
        worst = max(worst, apart, key=lambda numbers: float(np.abs(numbers).max()))
    whole = _inverse(information)
    moves = (whole @ right).reshape(count, 6)
    joined = tuple(
        _moved(each, common, move, whole[6 * which : 6 * which + 6, 6 * which : 6 * which + 6], agree)
        for which, (each, move) in enumerate(zip(registrations, moves, strict=True))
    )
    return JoinedViews(joined, agree, float(np.linalg.norm(worst[:3])), float(np.linalg.norm(worst[3:])))


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=float)


def _add(matrix: Array, row: int, column: int, block: Array) -> None:
    matrix[6 * row : 6 * row + 6, 6 * column : 6 * column + 6] += block


def _moved(each: Registration, common: Handle, move: Array, covariance: Array, agree: bool) -> Registration:
    if not agree:
        reason = "the pictures don't fit one pelvis that lay still and the stated motion of the machine"
        verdict = Verdict.DOUBTFUL if each.verdict is Verdict.CONVERGED else each.verdict
        return replace(each, verdict=verdict, reasons=(*each.reasons, reason))
    carm = common.moved(each.carm, move)
    handle = handle_of(carm, each.handle.pivot_lps_mm)
    change = common.to(handle)
    return replace(each, carm=carm, handle=handle, covariance=change @ covariance @ change.T)
