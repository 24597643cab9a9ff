"""The pose of a C-arm that best explains where points of the bone were clicked, with a prior for the view.

Least squares (Gauss-Newton in a trust region) on the distances in the picture, each divided by the standard deviation
of click and landmark there, together with the motion away from the view's nominal pose divided by the prior's. The six
numbers are a turn in degrees (rotation vector) about the LPS axes through a point of the pelvis and a shift in mm, of
the C-arm against the bone. Where distances and middle of the picture are assumed, a scale and a shift of the picture
join as unknowns with priors of their own.

The covariance is that of the linear problem at the end, C = (A'A)^-1, for small motions from the pose found. What they
are in the six numbers tells the left Jacobian of the rotation vector (Barfoot TD, State estimation for robotics, 2017,
section 7.1.5).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.registration.motion import Handle

_HUBER = 2.0
_MOST_STEPS = 25


@dataclass(frozen=True, eq=False)
class Sighting:
    """One click and the point of the bone it stands for.

    Parameters
    ----------
    name:
        Of the click.
    pixel:
        (column, row) clicked.
    lps_mm, covariance_mm2:
        Where the thing lies on the bone, (3,) and (3, 3).
    click_sd_px:
        SD of the click along columns and rows, (2,).
    across:
        Unit vector of (column, row) along which alone the click counts; None for a point.
    """

    name: str
    pixel: Array
    lps_mm: Array
    covariance_mm2: Array
    click_sd_px: Array
    across: Array | None = None

    @property
    def numbers(self) -> int:
        """How many numbers the click gives: 2, of a line 1."""
        return 2 if self.across is None else 1


def whitenings(sightings: Sequence[Sighting], carm: CArm) -> Array:
    """Return the matrices (n, 2, 2) that make residuals in pixels ones of unit variance; of a line, second row zero.

    The covariance in the picture is that of the click and, through the projection's slope, that of the place.
    """
    slopes = projection_slopes(carm, np.stack([each.lps_mm for each in sightings]))
    found = np.zeros((len(sightings), 2, 2))
    for row, (each, slope) in enumerate(zip(sightings, slopes, strict=True)):
        covariance = slope @ each.covariance_mm2 @ slope.T + np.diag(each.click_sd_px**2)
        if each.across is None:
            found[row] = np.linalg.inv(np.linalg.cholesky(covariance))
        else:
            found[row, 0] = each.across / np.sqrt(each.across @ covariance @ each.across)
    return found


@dataclass(frozen=True)
class Prior:
    """One SD of the pose about the nominal one, and of what is assumed of the machine (0: known)."""

    turn_deg: float = 15.0
    shift_mm: float = 40.0
    scale: float = 0.0
    middle_px: float = 0.0

    @property
    def sds(self) -> Array:
        """SD of each unknown: three turns, three shifts, and, if assumed, log scale and two shifts of the picture."""
        pose = [self.turn_deg] * 3 + [self.shift_mm] * 3
        return np.array(pose + [self.scale, self.middle_px, self.middle_px] if self.scale > 0 else pose)


@dataclass(frozen=True, eq=False)
class PointFit:
    """Solution of one least-squares problem.

    Parameters
    ----------
    carm:
        Pose found.
    unknowns:
        As in :class:`Prior`, from the nominal pose.
    sightings:
        What the clicks see from that pose.
    whitening:
        What makes pixels residuals of unit variance, (n clicks, 2, 2).
    jacobian, residuals:
        Whitened, (n clicks, 2, unknowns) and (n clicks, 2); of a line the second number is 0. The jacobian is for small
        motions from the pose found, in deg and mm.
    covariance:
        Of those, (unknowns, unknowns).
    """

    carm: CArm
    unknowns: Array
    sightings: tuple[Sighting, ...]
    whitening: Array
    jacobian: Array
    residuals: Array
    covariance: Array

    @property
    def steps(self) -> Array:
        """Unknowns one SD away along the pose's least certain direction, as a change of the unknowns, (unknowns,)."""
        to_unknowns = np.linalg.inv(_to_local(self.unknowns))
        variances, axes = np.linalg.eigh(to_unknowns @ self.covariance @ to_unknowns.T)
        return np.asarray(axes[:, -1] * np.sqrt(variances[-1]))


See = Callable[[CArm], Sequence[Sighting]]
"""Tells what the clicks see from a pose: always the same clicks, of contours the points that are seen from there."""


def fit_pose(see: See, nominal: CArm, handle: Handle, prior: Prior, start: Array, robust: bool) -> PointFit:
    """Return the pose that explains the clicks best.

    Parameters
    ----------
    see:
        What is seen from a pose.
    nominal:
        Middle of the prior.
    handle:
        LPS axes through the point that the motion refers to.
    start:
        Unknowns to begin with, see :class:`Prior`.
    robust:
        Huber's loss instead of squares, so that a wrong click pulls less.
    """
    sds = prior.sds
    whitening = whitenings(see(handle.moved(nominal, start[:6])), handle.moved(nominal, start[:6]))
    middle = nominal.center_px
    last: dict[bytes, tuple[CArm, Sequence[Sighting]]] = {}

    def seen(unknowns: Array) -> tuple[CArm, Sequence[Sighting]]:
        key = unknowns.tobytes()
        if key not in last:
            last.clear()
            carm = handle.moved(nominal, unknowns[:6])
            last[key] = carm, see(carm)
        return last[key]

    def residual(unknowns: Array) -> Array:
        apart = whitened_residuals(whitening, middle, unknowns, *seen(unknowns))
        return np.concatenate([apart.ravel(), unknowns / sds])

    def jacobian(unknowns: Array) -> Array:
        local = _local_jacobian(whitening, middle, handle, unknowns, *seen(unknowns))
        count = 2 * len(local)
        return np.concatenate([local.reshape(count, -1) @ _to_local(unknowns), np.diag(1.0 / sds)])

    solved = least_squares(
        residual,
        start,
        jac=jacobian,
        x_scale=sds,
        loss="huber" if robust else "linear",
        f_scale=_HUBER,
        xtol=1e-5,
        ftol=1e-4,
        gtol=1e-8,
        max_nfev=_MOST_STEPS,
    )
    carm, sightings = seen(solved.x)
    to_local = _to_local(solved.x)
    local = _local_jacobian(whitening, middle, handle, solved.x, carm, sightings)
    slopes = np.concatenate([local.reshape(2 * len(sightings), -1) @ to_local, np.diag(1.0 / sds)])
    covariance = to_local @ np.linalg.inv(slopes.T @ slopes) @ to_local.T
    return PointFit(
        carm=carm,
        unknowns=np.asarray(solved.x),
        sightings=tuple(sightings),
        whitening=whitening,
        jacobian=local,
        residuals=whitened_residuals(whitening, middle, solved.x, carm, sightings),
        covariance=covariance,
    )


def huber(squares: Array) -> Array:
    """Return Huber's loss of squared residuals: themselves up to two SDs, then growing only with the distance."""
    return np.asarray(np.where(squares <= _HUBER**2, squares, 2.0 * _HUBER * np.sqrt(squares) - _HUBER**2))


def picture_px(middle: Array, unknowns: Array, pixels: Array) -> Array:
    """Return pixels (n, 2) as a picture shows them whose scale and middle differ by the unknowns after the sixth."""
    if len(unknowns) == 6:
        return pixels
    return np.asarray(middle + np.exp(unknowns[6]) * (pixels - middle) + unknowns[7:9])


def whitened_residuals(
    whitening: Array, middle: Array, unknowns: Array, carm: CArm, sightings: Sequence[Sighting]
) -> Array:
    """Return (n, 2): where a pose shows things less where they were clicked, in standard deviations."""
    pixels = carm.project(np.stack([each.lps_mm for each in sightings]))
    clicked = np.stack([each.pixel for each in sightings])
    return np.einsum("nij,nj->ni", whitening, picture_px(middle, unknowns, pixels) - clicked)


def _local_jacobian(
    whitening: Array, middle: Array, handle: Handle, unknowns: Array, carm: CArm, sightings: Sequence[Sighting]
) -> Array:
    """Return (n, 2, unknowns) for small motions from a pose; moving the C-arm is moving the bone the other way."""
    points = np.stack([each.lps_mm for each in sightings])
    slopes = projection_slopes(carm, points)
    # a small turn w takes a point at v from the pivot by -w x v = v x w
    cross = np.stack([_cross_matrix(arm) for arm in points - handle.pivot_lps_mm])
    columns = [slopes @ cross * np.deg2rad(1.0), -slopes]
    if len(unknowns) > 6:
        columns = [np.exp(unknowns[6]) * part for part in columns]
        grown = np.exp(unknowns[6]) * (carm.project(points) - middle)
        columns += [grown[:, :, None], np.broadcast_to(np.eye(2), (len(points), 2, 2))]
    return np.asarray(whitening @ np.concatenate(columns, axis=2))


def _to_local(unknowns: Array) -> Array:
    """Return what small changes of the unknowns are as small motions from the pose, (unknowns, unknowns)."""
    turn = np.deg2rad(unknowns[:3])
    angle = float(np.linalg.norm(turn))
    cross = _cross_matrix(turn)
    first, second = (
        (0.5, 1 / 6) if angle < 1e-4 else ((1 - np.cos(angle)) / angle**2, (angle - np.sin(angle)) / angle**3)
    )
    change = np.eye(len(unknowns))
    change[:3, :3] += first * cross + second * cross @ cross
    # the shift so far turns along: a small turn w adds -w x t = t x w to what is left of it
    change[3:6, :3] = _cross_matrix(unknowns[3:6]) @ change[:3, :3] * np.deg2rad(1.0)
    return change


def projection_slopes(carm: CArm, points_lps_mm: Array) -> Array:
    """Return how the pixels of points move with them, (n, 2, 3) in px per mm."""
    matrix = carm.projection_matrix
    homogeneous = points_lps_mm @ matrix[:, :3].T + matrix[:, 3]
    pixels = homogeneous[:, :2] / homogeneous[:, 2:]
    return np.asarray((matrix[:2, :3] - pixels[:, :, None] * matrix[2, :3]) / homogeneous[:, 2, None, None])


def _cross_matrix(vector: Array) -> Array:
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
