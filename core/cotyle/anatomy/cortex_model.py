"""The edge of bone where a thin cortex is blurred: density along the normal explained by a layer.

A scan blurs. Where the cortex is thinner than about twice the blur, the steepest place and the half-height of
the density step both lie outside the true surface. Fitting the blurred image of a layer (outside, cortex,
inside) puts the edge back; the density of cortex is shared by the whole scan, which is what makes thin layers
solvable (Treece, Gee, Mayhew and Poole, Med Image Anal 2010;14:276-290).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np
from scipy.optimize import minimize_scalar

from cotyle.anatomy.edge_profiles import Edges
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray

# Stretch of the normal that is explained, mm inside and outside of the vertex: inside enough to see the far
# edge of a cortex, outside not as far as the next bone across a joint.
INSIDE_MM, OUTSIDE_MM, STEP_MM = 4.0, 1.6, 0.2
# How much cortical density may differ from place to place, and noise of one sample; HU.
_DENSITY_SPREAD_HU, _NOISE_HU = 120.0, 40.0
_FARTHEST_MM = 1.2
_ITERATIONS = 12
_BLURS_MM = (0.35, 1.5)
_SUBSET = 1500


@dataclass(frozen=True)
class Blur:
    """What the scan does to an edge: standard deviation of its blur (mm), and the density of its cortex (HU)."""

    sigma_mm: float
    cortex_hu: float


def estimate_blur(volume: Volume, points_lps_mm: Array, normals: Array, thick: BoolArray) -> Blur:
    """Estimate the blur of a scan from the surfaces of its bones.

    Parameters
    ----------
    points_lps_mm, normals:
        Vertices near the true surface and their outward normals, (n, 3).
    thick:
        Mask (n,) of vertices under which the cortex is thick (femoral shaft): its density is read there.
    """
    profiles = _profiles(volume, points_lps_mm, normals)
    seen = np.isfinite(profiles).all(axis=1)
    source = profiles[seen & thick] if (seen & thick).sum() >= 50 else profiles[seen]
    cortex_hu = float(np.percentile(source.max(axis=1), 70.0)) if len(source) else 1200.0
    sharpest = np.argsort(-profiles[seen].max(axis=1))[: 4 * _SUBSET]
    subset = np.ascontiguousarray(profiles[seen][sharpest[:: max(len(sharpest) // _SUBSET, 1)]])

    def misfit(sigma_mm: float) -> float:
        return float(np.median(_explain(subset, _offsets(), sigma_mm, cortex_hu)[:, 2]))

    best = minimize_scalar(misfit, bounds=_BLURS_MM, method="bounded", options={"xatol": 0.01})
    return Blur(float(best.x), cortex_hu)


def find_cortex_edges(volume: Volume, points_lps_mm: Array, normals: Array, blur: Blur) -> Edges:
    """Return the way to the outer edge of the layer along each normal, and the height of its step.

    The step is zero where the profile leaves the volume or no layer explains it.
    """
    profiles = _profiles(volume, points_lps_mm, normals)
    seen = np.isfinite(profiles).all(axis=1)
    explained = np.zeros((len(profiles), 3))
    if seen.any():
        explained[seen] = _explain(np.ascontiguousarray(profiles[seen]), _offsets(), blur.sigma_mm, blur.cortex_hu)
    sound = seen & (np.abs(explained[:, 0]) < _FARTHEST_MM)
    return Edges(np.where(sound, explained[:, 0], 0.0), np.where(sound, np.maximum(explained[:, 1], 0.0), 0.0))


def _offsets() -> Array:
    return np.arange(-INSIDE_MM, OUTSIDE_MM + 0.5 * STEP_MM, STEP_MM)


def _profiles(volume: Volume, points_lps_mm: Array, normals: Array) -> Array:
    points = points_lps_mm[:, None, :] + _offsets()[:, None] * normals[:, None, :]
    return sample(volume, points, outside=np.nan).astype(np.float64)


@numba.njit(cache=True)
def _below(x):  # type: ignore[no-untyped-def]
    """Share of a unit Gaussian below x, and its density there."""
    return 0.5 * (1.0 + math.erf(x * 0.7071067811865476)), 0.3989422804014327 * np.exp(-0.5 * x * x)


@numba.njit(parallel=True, cache=True)
def _explain(profiles, offsets, sigma, cortex_hu):  # type: ignore[no-untyped-def]
    """Layer fitted to each profile: edge (mm), step (HU), misfit (HU); Levenberg-Marquardt on five unknowns."""
    result = np.empty((len(profiles), 3))
    for row in numba.prange(len(profiles)):
        result[row] = _fit_layer(profiles[row], offsets, sigma, cortex_hu)
    return result


@numba.njit(cache=True)
def _layer_cost(profile, offsets, sigma, cortex_hu, p, gradient, curvature):  # type: ignore[no-untyped-def]
    """Half squared misfit in units of noise, with its gradient and Gauss-Newton curvature."""
    edge, thickness, outside, inside, cortex = p
    gradient[:] = 0.0
    curvature[:] = 0.0
    slope = np.empty(5)
    cost = 0.0
    for n in range(len(offsets)):
        near, near_density = _below((edge - offsets[n]) / sigma)
        far, far_density = _below((edge - thickness - offsets[n]) / sigma)
        residual = (outside + (cortex - outside) * near - (cortex - inside) * far - profile[n]) / _NOISE_HU
        slope[0] = ((cortex - outside) * near_density - (cortex - inside) * far_density) / sigma / _NOISE_HU
        slope[1] = (cortex - inside) * far_density / sigma / _NOISE_HU
        slope[2] = (1.0 - near) / _NOISE_HU
        slope[3] = far / _NOISE_HU
        slope[4] = (near - far) / _NOISE_HU
        cost += 0.5 * residual * residual
        for a in range(5):
            gradient[a] += slope[a] * residual
            for b in range(5):
                curvature[a, b] += slope[a] * slope[b]
    prior = (cortex - cortex_hu) / _DENSITY_SPREAD_HU
    cost += 0.5 * prior * prior
    gradient[4] += prior / _DENSITY_SPREAD_HU
    curvature[4, 4] += 1.0 / _DENSITY_SPREAD_HU**2
    return cost


@numba.njit(cache=True)
def _fit_layer(profile, offsets, sigma, cortex_hu):  # type: ignore[no-untyped-def]
    p = np.array([0.0, 1.5, profile[-1], min(profile[0], cortex_hu - 100.0), cortex_hu])
    gradient, curvature = np.empty(5), np.empty((5, 5))
    trial_gradient, trial_curvature = np.empty(5), np.empty((5, 5))
    cost = _layer_cost(profile, offsets, sigma, cortex_hu, p, gradient, curvature)
    damping = 1e-2
    for _ in range(_ITERATIONS):
        damped = curvature.copy()
        for a in range(5):
            damped[a, a] += damping * curvature[a, a] + 1e-9
        trial = p - np.linalg.solve(damped, gradient)
        trial[0] = min(max(trial[0], -2.0), 1.5)
        trial[1] = min(max(trial[1], 0.2), 6.0)
        trial_cost = _layer_cost(profile, offsets, sigma, cortex_hu, trial, trial_gradient, trial_curvature)
        if trial_cost < cost:
            settled = cost - trial_cost < 1e-4 * cost
            p, cost = trial, trial_cost
            gradient[:] = trial_gradient
            curvature[:] = trial_curvature
            damping = max(damping * 0.3, 1e-6)
            if settled:
                break
        else:
            damping *= 5.0
    return np.array([p[0], p[4] - p[2], _NOISE_HU * np.sqrt(2.0 * cost / len(profile))])
