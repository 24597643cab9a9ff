"""How much of the fitted outline the picture bears out, point by point: the check on a fit of the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from cotyle.space.arrays import Array, BoolArray
from cotyle.xray.cup_in_picture.patch import Patch
from cotyle.xray.cup_in_picture.shell_fit import ShellFit
from cotyle.xray.cup_in_picture.silhouette_search import outline_and_inward

_POINTS = 96
_REACH_MM = 2.5
_ALONG_MM = 1.5
_LEAST_CORRELATION = 0.6
_GAINS = (0.35, 2.0)
_FAR_MM = 1.0
_STEP_MM = 0.8


@dataclass(frozen=True, eq=False)
class Support:
    """What the outline's points say.

    Parameters
    ----------
    points:
        Pixels of the patch, (column, row), evenly along the outline, shape (n, 2).
    supported:
        Where an edge like the model's lies within 1 mm.
    seen:
        Which points lie on usable pixels.
    off_mm:
        How far outwards of the model the edge lies, in the cup's plane, to first order (more than the width of the
        edge is understated, down to half); NaN where there is none.
    step_in_noise:
        How much darker the picture is 1 to 2 mm inside the supported outline than outside it, in deviations of a
        pixel's noise (median; 0 without support).
    """

    points: Array
    supported: BoolArray
    seen: BoolArray
    off_mm: Array
    step_in_noise: float

    @property
    def share(self) -> float:
        """Part of the whole outline that is borne out."""
        return float(self.supported.mean())

    @property
    def residual_mm(self) -> float:
        """Root mean square of the distances of the edges found."""
        off = self.off_mm[self.supported]
        return float(np.sqrt(np.mean(off**2))) if len(off) else float("nan")


def outline_support(patch: Patch, fit: ShellFit) -> Support:
    """Return which points of the fitted outline show the edge that the model expects.

    Profiles across the outline, averaged over 3 mm along it, are compared with the model's: how alike they are, by how
    much the contrast differs, and by how much one is shifted against the other.
    """
    points, inside = outline_and_inward(patch.carm, fit.state.rim, _POINTS)
    pixel_mm = patch.carm.pixel_pitch_mm[0] / patch.carm.magnification(fit.state.rim.center_lps_mm)
    depth = np.arange(-_REACH_MM, _REACH_MM + 1e-9, 0.5 * pixel_mm) / pixel_mm
    along = np.arange(-_ALONG_MM, _ALONG_MM + 1e-9, pixel_mm) / pixel_mm
    tangent = np.column_stack([inside[:, 1], -inside[:, 0]])
    at = (
        points[:, None, None]
        + depth[None, :, None, None] * inside[:, None, None]
        + along[None, None, :, None] * tangent[:, None, None]
    )

    def profiles(values: Array) -> Array:
        return np.asarray(map_coordinates(values, [at[..., 1], at[..., 0]], order=1, mode="nearest").mean(axis=2))

    seen = profiles(patch.usable.astype(float)).min(axis=1) > 0.99
    observed, expected = profiles(patch.attenuation), profiles(fit.picture)
    observed = observed - observed.mean(axis=1, keepdims=True)
    expected = expected - expected.mean(axis=1, keepdims=True)
    inner, outer = depth > _STEP_MM / pixel_mm, depth < -_STEP_MM / pixel_mm
    steps = observed[:, inner].mean(axis=1) - observed[:, outer].mean(axis=1)
    product = (observed * expected).sum(axis=1)
    own, other = (expected**2).sum(axis=1), (observed**2).sum(axis=1)
    slope = np.gradient(expected, 0.5 * pixel_mm, axis=1)
    steep = np.maximum((slope**2).sum(axis=1), 1e-12)
    # an edge that lies inwards by d shows expected(x - d): observed - expected = -d slope
    off = (slope * (observed - expected)).sum(axis=1) / steep
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation, gain = product / np.sqrt(own * other), product / own
    good = seen & (correlation > _LEAST_CORRELATION) & (gain > _GAINS[0]) & (gain < _GAINS[1]) & (np.abs(off) < _FAR_MM)
    noise = float(np.median(patch.noise[patch.usable]))
    step = float(np.median(steps[good])) / noise if good.any() else 0.0
    return Support(points, good, seen, np.where(good, off, np.nan), step)
