"""The match of real and simulated edges to first order about a pose: residuals, slopes, weights, and what follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.edges import EdgePicture, FloatPicture, local_gain
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.simulated_edges import simulated_edges

_STEPS = np.array([0.2, 0.2, 0.1, 0.3, 0.3, 2.0])
ROBUST = 1.0
"""Residual, in units of the local contrast, at which an edge counts a quarter."""

_BLOCK_SHARE = 0.06
"""Edge of the blocks in which neighbouring pixels are taken to err alike, as a share of the picture: about 12 mm."""


@dataclass(frozen=True, eq=False)
class Linear:
    """First order about a pose.

    Parameters
    ----------
    moving:
        Simulated edges (2, rows, columns).
    residual:
        Real edges minus simulated ones at their local gain, (2, rows, columns).
    gain, weight:
        Local gain, and weight of each pixel with residuals that are too large counting little, (rows, columns).
    slopes:
        Change of the simulated edges for each number, (6, 2, rows, columns).
    """

    moving: FloatPicture
    residual: FloatPicture
    gain: FloatPicture
    weight: FloatPicture
    slopes: FloatPicture

    @property
    def normal(self) -> Array:
        """Normal matrix, 6x6."""
        flat = self.slopes.reshape(6, -1)
        return np.asarray((self.weight * self.slopes).reshape(6, -1) @ flat.T, dtype=float)

    @property
    def invertible(self) -> Array:
        """The normal matrix with just enough on its diagonal to be inverted, also where the picture shows nothing."""
        normal = self.normal
        return np.asarray(normal + 1e-9 * np.diag(np.diag(normal)) + 1e-9 * np.eye(6))

    @property
    def pulls(self) -> FloatPicture:
        """Each pixel's part of the right side, (6, rows, columns)."""
        return np.asarray((self.weight * self.slopes * self.residual).sum(axis=1))


def linear_at(
    fixed: EdgePicture, bone: ReadyVolume, carm: CArm, handle: Handle, numbers: Array, central: bool = False
) -> Linear:
    """Return the match to first order at six numbers of a handle.

    ``central``: slopes from steps both ways, free of the second order, for nearly twice the pictures.
    """
    steps = np.diag(_STEPS)
    moving, *others = simulated_edges(
        bone, carm, handle, numbers + np.vstack([np.zeros((1, 6)), steps, *([-steps] if central else [])])
    )
    residual, gain = residual_of(fixed, moving)
    behind = others[6:] if central else [moving] * 6
    width = (2.0 if central else 1.0) * _STEPS
    slopes = [gain * (up - down) / step for up, down, step in zip(others[:6], behind, width, strict=True)]
    return Linear(moving, residual, gain, _robust_weight(fixed, residual), np.stack(slopes).astype(np.float32))


def residual_of(fixed: EdgePicture, moving: FloatPicture) -> tuple[FloatPicture, FloatPicture]:
    """Return real minus simulated edges, the latter scaled by their local gain, and that gain."""
    gain = local_gain(fixed, moving)
    return fixed.gradient - gain * moving, gain


def robust_cost(fixed: EdgePicture, moving: FloatPicture) -> float:
    """Return the mean cost of a weighted pixel, 0 to 1: square of small residuals, level for large ones.

    Geman S, McClure DE, Bull Int Stat Inst 1987;52:5-21.
    """
    residual, _ = residual_of(fixed, moving)
    square = (residual**2).sum(axis=0) / ROBUST**2
    return float((fixed.weight * square / (1.0 + square)).sum() / max(float(fixed.weight.sum()), 1.0))


def sandwich(linear: Linear) -> Array:
    """Return the 6x6 covariance of the numbers at an optimum.

    Pulls are added up in blocks first, as neighbouring pixels err alike: the estimate for clustered data of Liang KY,
    Zeger SL, Biometrika 1986;73:13-22.
    """
    summed = in_blocks(linear.pulls)
    inverse = np.linalg.inv(linear.invertible)
    return np.asarray(inverse @ (summed @ summed.T) @ inverse)


def in_blocks(pictures: FloatPicture) -> Array:
    """Return sums over blocks of pictures (n, rows, columns), shape (n, blocks)."""
    count, rows, columns = pictures.shape
    block = max(4, round(min(rows, columns) * _BLOCK_SHARE))
    down, across = -(-rows // block), -(-columns // block)
    padded = np.zeros((count, down * block, across * block))
    padded[:, :rows, :columns] = pictures
    return np.asarray(padded.reshape(count, down, block, across, block).sum(axis=(2, 4)).reshape(count, -1))


def _robust_weight(fixed: EdgePicture, residual: FloatPicture) -> FloatPicture:
    square = (residual**2).sum(axis=0) / ROBUST**2
    return np.asarray(fixed.weight / (1.0 + square) ** 2)
