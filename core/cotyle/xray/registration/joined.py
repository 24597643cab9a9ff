"""Several pictures of one pelvis, the C-arm's motion between them known: what one sees badly another sees well.

How well the machine knows its own motion is seen from the pictures: single poses are sure of all but depth, so a motion
that agrees with them better than it need is taken to be that good in depth, too.
"""

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
from cotyle.xray.registration.register import Registration, RoughPose, better, register, register_together
from cotyle.xray.verdict import Verdict

MACHINE_SD = (0.5, 2.0)
"""How well a machine tells its own motion by default, deg and mm: one standard deviation (our choice)."""

_UNLIKELY = 1e-3
_SHARES = np.geomspace(2.5e-3, 1.0, 14)
"""Shares of the machine's variance among which the most likely one is looked for: 0.05 to 1 times its deviation."""
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


def register_views(pictures: Sequence[Radiograph], roughs: Sequence[RoughPose], bone: BoneModel) -> list[Registration]:
    """Return the poses of several pictures of one moment, each helped by the others.

    They are searched as one; those that do not converge by themselves, and then from where one that converged says that
    the C-arm stood. The best of each is kept.

    Parameters
    ----------
    pictures, roughs, bone:
        As in :func:`~cotyle.xray.registration.register.register_together`.
    """
    found = register_together(pictures, roughs, bone)
    for place, (picture, rough) in enumerate(zip(pictures, roughs, strict=True)):
        if found[place].verdict is not Verdict.CONVERGED:
            found[place] = better(found[place], register(picture, rough, bone))
    helper = next((place for place, each in enumerate(found) if each.verdict is Verdict.CONVERGED), None)
    if helper is None:
        return found
    lie = pose_between(roughs[helper].carm, found[helper].carm)
    for place, (picture, rough) in enumerate(zip(pictures, roughs, strict=True)):
        if found[place].verdict is not Verdict.CONVERGED:
            tied = RoughPose(rough.carm.moved(lie), rough.pivot_lps_mm, _TIED_SD)
            found[place] = better(found[place], register(picture, tied, bone))
    return found


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
        One standard deviation of the machine's motion at worst, deg about each axis and mm along each.

    Raises
    ------
    InputError
        ``registration-join`` unless there are two or more pictures and an expected pose for each but the first.
    """
    if len(registrations) < 2 or len(expected) != len(registrations) - 1:
        raise InputError("registration-join", "two or more pictures are joined, each with a motion from the first")
    common = Handle(as_vector(point_lps_mm, "point"), np.eye(3))
    count = len(registrations)
    covariances = [each.covariance_of(common) for each in registrations]
    # small motions x of the found poses to the true ones obey x_i = x_0 + apart, up to the machine's error
    aparts = [
        common.numbers_of(pose_between(each.carm, carm)) for each, carm in zip(registrations[1:], expected, strict=True)
    ]
    at_worst = np.diag(np.repeat(np.square(np.array(machine_sd, dtype=float)), 3))
    machine = _seen_share(aparts, covariances, at_worst) * at_worst
    information = np.zeros((6 * count, 6 * count))
    right = np.zeros(6 * count)
    worst, agree = np.zeros(6), True
    for which, covariance in enumerate(covariances):
        _add(information, which, which, _inverse(covariance))
    for which, apart in enumerate(aparts, start=1):
        weight = _inverse(machine)
        for row, sign_row in ((which, 1.0), (0, -1.0)):
            right[6 * row : 6 * row + 6] += sign_row * weight @ apart
            for column, sign in ((which, 1.0), (0, -1.0)):
                _add(information, row, column, sign_row * sign * weight)
        distance = apart @ np.linalg.solve(covariances[0] + covariances[which] + at_worst, apart)
        agree &= bool(chi2.sf(distance, 6) > _UNLIKELY)
        worst = max(worst, apart, key=lambda numbers: float(np.abs(numbers).max()))
    whole = _inverse(information)
    moves = (whole @ right).reshape(count, 6)
    joined = tuple(
        _moved(each, common, move, whole[6 * which : 6 * which + 6, 6 * which : 6 * which + 6], agree)
        for which, (each, move) in enumerate(zip(registrations, moves, strict=True))
    )
    return JoinedViews(joined, agree, float(np.linalg.norm(worst[:3])), float(np.linalg.norm(worst[3:])))


def _seen_share(aparts: Sequence[Array], covariances: Sequence[Array], at_worst: Array) -> float:
    """Return the share of the machine's variance at worst that the poses speak for: twice the most likely one."""

    def against(share: float) -> float:
        total = 0.0
        for apart, covariance in zip(aparts, covariances[1:], strict=True):
            whole = covariances[0] + covariance + share * at_worst
            total += float(np.linalg.slogdet(whole)[1] + apart @ np.linalg.solve(whole, apart))
        return total

    return min(1.0, 2.0 * min(_SHARES, key=against))


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
