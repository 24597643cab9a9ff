"""The edge of bone where a thin cortex is blurred: density along the normal explained by a layer.

A scan blurs. Where the cortex is thinner than about twice the blur, the steepest place and the half-height of
the density step both lie outside the true surface. Fitting the blurred image of a layer (outside, cortex,
inside) puts the edge back; the density of cortex is shared by the whole scan, which is what makes thin layers
solvable (Treece, Gee, Mayhew and Poole, Med Image Anal 2010;14:276-290). Slices may be thicker than their pixels are
wide: the blur across them is another than within them, and each profile has that of its own direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from cotyle.anatomy.shapes.edge_profiles import Edges
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

# Stretch of the normal that is explained, mm inside and outside of the vertex: inside enough to see the far
# edge of a cortex, outside not as far as the next bone across a joint.
INSIDE_MM, OUTSIDE_MM, STEP_MM = 4.0, 1.6, 0.2
DENSITY_SPREAD_HU = 120.0
"""How much cortical density may differ from place to place."""
_NOISE_HU = 40.0
_FARTHEST_MM = 1.2
# The neighbouring bone: what its plate loses beneath, the soft tissue before it, how near and how far it may be.
_BENEATH_PLATE, _SOFT_HU = 0.9, 60.0
_NEAREST_MM, _SMEARED_MM = 1.0, 6.0
# A narrower blur smears too little across a joint to matter (0.03 mm).
_SMEARING_BLUR_MM = 1.1
_ITERATIONS = 12


@dataclass(frozen=True)
class Blur:
    """What the scan does to an edge.

    sigma_mm: standard deviation of its blur within the slices; cortex_hu: density of its cortex; across_mm: standard
    deviation of the blur across the slices, along ``axis_lps``; as within them if None. noise_hu: standard deviation of
    the difference of two means over 1.2 mm, in soft tissue; thin_cortex: bone was too thin to tell the blur itself;
    plate_mm: median thickness of its cortex.
    """

    sigma_mm: float
    cortex_hu: float
    across_mm: float | None = None
    axis_lps: tuple[float, float, float] = (0.0, 0.0, 1.0)
    noise_hu: float = 20.0
    thin_cortex: bool = False
    plate_mm: float = 1.8

    def along_mm(self, directions: npt.ArrayLike) -> Array:
        """Return the standard deviation of the blur along unit vectors (n, 3), mm (n,)."""
        cosines = np.asarray(directions, dtype=np.float64) @ np.array(self.axis_lps)
        across = self.sigma_mm if self.across_mm is None else self.across_mm
        return np.sqrt(self.sigma_mm**2 + (across**2 - self.sigma_mm**2) * cosines**2)


@dataclass(frozen=True, eq=False)
class Layers:
    """Layers fitted to profiles, (n,): place of the outer edge and thickness (mm), step and misfit (HU)."""

    edge_mm: Array
    step_hu: Array
    misfit_hu: Array
    thickness_mm: Array


def fit_layers(
    profiles: Array, offsets_mm: Array, sigma_mm: Array, cortex_hu: float, spread_hu: float = DENSITY_SPREAD_HU
) -> Layers:
    """Explain profiles (n, m) of density at offsets (m,), outward, by layers blurred by ``sigma_mm`` (n,)."""
    rows = np.ascontiguousarray(profiles, dtype=np.float64)
    return Layers(*_explain(rows, offsets_mm, np.asarray(sigma_mm, dtype=np.float64), cortex_hu, spread_hu).T)


def find_cortex_edges(
    volume: Volume, points_lps_mm: Array, normals: Array, blur: Blur, neighbour_mm: Array | None = None
) -> Edges:
    """Return the way to the outer edge of the layer along each normal, and the height of its step.

    The step is zero where the profile leaves the volume or no layer explains it. ``neighbour_mm`` (n,) tells how far
    outward another bone begins (infinite: none does): what a wide blur smears across from it is taken away first.
    """
    offsets = profile_offsets()
    profiles = density_profiles(volume, points_lps_mm, normals, offsets)
    seen = np.isfinite(profiles).all(axis=1)
    shift, step = np.zeros(len(profiles)), np.zeros(len(profiles))
    if seen.any():
        sigma_mm = blur.along_mm(normals[seen])
        smeared = 0.0 if neighbour_mm is None else _smeared_hu(offsets, neighbour_mm[seen], sigma_mm, blur)
        layers = fit_layers(profiles[seen] - smeared, offsets, sigma_mm, blur.cortex_hu)
        sound = np.abs(layers.edge_mm) < _FARTHEST_MM
        shift[seen] = np.where(sound, layers.edge_mm, 0.0)
        step[seen] = np.where(sound, np.maximum(layers.step_hu, 0.0), 0.0)
    return Edges(shift, step)


def _smeared_hu(offsets_mm: Array, neighbour_mm: Array, sigma_mm: Array, blur: Blur) -> Array:
    """Density (n, m) that comes across from a bone that begins ``neighbour_mm`` outward, under a plate of its own."""
    way = (offsets_mm - np.maximum(neighbour_mm, _NEAREST_MM)[:, None]) / sigma_mm[:, None]
    plate = ndtr(way) - _BENEATH_PLATE * ndtr(way - blur.plate_mm / sigma_mm[:, None])
    smeared = (neighbour_mm < _SMEARED_MM) & (sigma_mm > _SMEARING_BLUR_MM)
    return np.asarray((blur.cortex_hu - _SOFT_HU) * np.where(smeared[:, None], plate, 0.0))


def profile_offsets(outside_mm: float = OUTSIDE_MM) -> Array:
    """Return where along a normal density is read, mm, outward."""
    return np.arange(-INSIDE_MM, outside_mm + 0.5 * STEP_MM, STEP_MM)


def density_profiles(volume: Volume, points_lps_mm: Array, normals: Array, offsets_mm: Array) -> Array:
    """Return densities (n, m) along normals, NaN beyond the volume."""
    points = points_lps_mm[:, None, :] + offsets_mm[:, None] * normals[:, None, :]
    return sample(volume, points, outside=np.nan).astype(np.float64)


@numba.njit(cache=True)
def _below(x):  # type: ignore[no-untyped-def]
    """Share of a unit Gaussian below x, and its density there."""
    return 0.5 * (1.0 + math.erf(x * 0.7071067811865476)), 0.3989422804014327 * np.exp(-0.5 * x * x)


@numba.njit(parallel=True, cache=True)
def _explain(profiles, offsets, sigma, cortex_hu, spread):  # type: ignore[no-untyped-def]
    """Edge (mm), step, misfit (HU), thickness (mm) of each profile; Levenberg-Marquardt on five unknowns."""
    result = np.empty((len(profiles), 4))
    for row in numba.prange(len(profiles)):
        result[row] = _fit_layer(profiles[row], offsets, sigma[row], cortex_hu, spread)
    return result


@numba.njit(cache=True)
def _layer_cost(profile, offsets, sigma, cortex_hu, spread, p, gradient, curvature):  # type: ignore[no-untyped-def]
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
    prior = (cortex - cortex_hu) / spread
    cost += 0.5 * prior * prior
    gradient[4] += prior / spread
    curvature[4, 4] += 1.0 / spread**2
    return cost


@numba.njit(cache=True)
def _fit_layer(profile, offsets, sigma, cortex_hu, spread):  # type: ignore[no-untyped-def]
    p = np.array([0.0, 1.5, profile[-1], min(profile[0], cortex_hu - 100.0), cortex_hu])
    gradient, curvature = np.empty(5), np.empty((5, 5))
    trial_gradient, trial_curvature = np.empty(5), np.empty((5, 5))
    cost = _layer_cost(profile, offsets, sigma, cortex_hu, spread, p, gradient, curvature)
    damping = 1e-2
    for _ in range(_ITERATIONS):
        damped = curvature.copy()
        for a in range(5):
            damped[a, a] += damping * curvature[a, a] + 1e-9
        trial = p - np.linalg.solve(damped, gradient)
        trial[0] = min(max(trial[0], -2.0), 1.5)
        trial[1] = min(max(trial[1], 0.2), 6.0)
        trial_cost = _layer_cost(profile, offsets, sigma, cortex_hu, spread, trial, trial_gradient, trial_curvature)
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
    return np.array([p[0], p[4] - p[2], _NOISE_HU * np.sqrt(2.0 * cost / len(profile)), p[1]])
