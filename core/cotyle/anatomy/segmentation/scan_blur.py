"""How a scan blurs, read off the scan itself and never off its header: from bone, or from skin where bone is too thin.

*Blur within the slices.* The layers of :mod:`cotyle.anatomy.shapes.cortex_model` are fitted to places where bone stands
upright on the slices, and the blur is the one that leaves the least unexplained. Where cortex is thin this says little:
a thin dense layer and a thicker, less dense one look alike unless the blur is known within a few per cent. The skin
then tells: air, skin and fat are a layer, too, with a step of 1000 HU, and the same scanner blurred it.

*Density of cortex.* With the blur known, the one density that explains all the layers best.

*Blur across the slices.* The same fit where bone lies along the slices. Slices may be thick.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from cotyle.anatomy.shapes.cortex_model import Blur, Layers, density_profiles, fit_layers, profile_offsets
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, IntArray

_BLURS_MM, _ACROSS_MM = (0.35, 1.8), (0.35, 2.5)
_DENSITIES_HU = (350.0, 1900.0)
_FIRST_CORTEX_HU = 1000.0
_SUBSET = 800
# Bone stands upright on the slices, or lies along them; cosines between normal and the axis across the slices.
_UPRIGHT, _LYING = 0.45, 0.75
# Density is hardly held while the blur is sought, and shared by all while it is itself sought; HU.
_LOOSE_HU, _SHARED_HU = 300.0, 30.0
_ROUNDS = 2
# Of the layers, those that are explained worst are left out.
_KEPT_SHARE = 0.9
# Cortex thinner than this many blurs (median) says too little of the blur.
_THIN_BLURS = 1.6
# Skin that is blurred more than this many times as bone is covered by something.
_COVERED_SKIN = 1.3
_FEWEST = 60
# Skin over air: density outside and that of skin, HU.
_BODY_HU, _SKIN_HU, _SKIN_SPREAD_HU = -500.0, 20.0, 100.0
_SKIN_EVERY_MM, _SKIN_LINES = 12.0, 16
_SKIN_OUTSIDE_MM = 3.0
_LEAST_SKIN_STEP_HU = 500.0
# Noise is read off soft tissue, at so many places.
_NOISE_STEP_MM, _NOISE_SPAN = 0.3, 4
_SOFT_HU = (-50.0, 150.0)
_NOISE_READ, _NOISE_FEWEST = 40_000, 500
_USUAL_NOISE_HU, _USUAL_PLATE_MM = 20.0, 1.8
# Cortex of this density is osteopenic, or too thin to show its own.
_SOFT_CORTEX_HU = 700.0


def estimate_blur(volume: Volume, points_lps_mm: Array, normals: Array) -> Blur:
    """Estimate the blur of a scan from places near the true surfaces of its bones.

    Parameters
    ----------
    points_lps_mm, normals:
        Vertices near the true surface and their outward normals, (n, 3).
    """
    axis = volume.directions[:, 2]
    offsets = profile_offsets()
    cosines = np.abs(normals @ axis)
    standing, along = cosines < _UPRIGHT, cosines > _LYING
    upright, lying = (_read(volume, points_lps_mm, normals, chosen, offsets) for chosen in (standing, along))
    sigma_mm, cortex_hu, thin, plate_mm = 0.7, _FIRST_CORTEX_HU, False, _USUAL_PLATE_MM
    if len(upright) >= _FEWEST:
        sigma_mm, cortex_hu = _from_bone(upright, offsets)
        skin = _skin_blur(volume)
        if skin is not None and skin < _COVERED_SKIN * sigma_mm:
            dense = _shared_density(upright, offsets, skin)
            layers = fit_layers(upright, offsets, np.full(len(upright), skin), dense)
            if np.median(layers.thickness_mm) < _THIN_BLURS * skin:
                sigma_mm, cortex_hu, thin = skin, dense, True
        layers = fit_layers(upright, offsets, np.full(len(upright), sigma_mm), cortex_hu)
        plate_mm = float(np.median(layers.thickness_mm))
    across_mm = None
    if len(upright) >= _FEWEST and len(lying) >= _FEWEST:

        def misfit(sigma: float) -> float:
            return _median_misfit(fit_layers(lying, offsets, np.full(len(lying), sigma), cortex_hu))

        squares = [float(np.mean(cosines[chosen] ** 2)) for chosen in (standing, along)]
        sigma_mm, across_mm = _parted(sigma_mm, _least(misfit, _ACROSS_MM, 0.02), squares)
    return Blur(
        sigma_mm,
        cortex_hu,
        across_mm,
        (float(axis[0]), float(axis[1]), float(axis[2])),
        fall_noise_hu(volume),
        thin or cortex_hu < _SOFT_CORTEX_HU,
        plate_mm,
    )


def _parted(upright_mm: float, lying_mm: float, squares: list[float]) -> tuple[float, float]:
    """Blurs within and across the slices from those in two directions, whose mean squared cosines are given."""
    up, lie = squares
    least = _BLURS_MM[0] ** 2
    within = (upright_mm**2 * lie - lying_mm**2 * up) / (lie - up)
    across = (lying_mm**2 * (1.0 - up) - upright_mm**2 * (1.0 - lie)) / (lie - up)
    return float(np.sqrt(max(within, least))), float(np.sqrt(max(across, least)))


def _read(volume: Volume, points: Array, normals: Array, chosen: BoolArray, offsets: Array) -> Array:
    """Profiles of an even choice of the chosen places that the scan shows whole."""
    rows = np.flatnonzero(chosen)
    rows = rows[:: max(len(rows) // _SUBSET, 1)]
    profiles = density_profiles(volume, points[rows], normals[rows], offsets)
    return np.ascontiguousarray(profiles[np.isfinite(profiles).all(axis=1)])


def _from_bone(upright: Array, offsets: Array) -> tuple[float, float]:
    """Blur and cortical density that explain bone together, each sought with the other held."""
    sigma_mm, cortex_hu = 0.7, _FIRST_CORTEX_HU
    for _ in range(_ROUNDS):
        held = cortex_hu

        def misfit(sigma: float, held: float = held) -> float:
            return _median_misfit(fit_layers(upright, offsets, np.full(len(upright), sigma), held, _LOOSE_HU))

        sigma_mm = _least(misfit, _BLURS_MM, 0.01)
        cortex_hu = _shared_density(upright, offsets, sigma_mm)
    return sigma_mm, cortex_hu


def _shared_density(upright: Array, offsets: Array, sigma_mm: float) -> float:
    """Cortical density that explains all layers best, if they share it."""
    sigmas = np.full(len(upright), sigma_mm)
    kept = int(_KEPT_SHARE * len(upright))

    def misfit(cortex_hu: float) -> float:
        found = fit_layers(upright, offsets, sigmas, cortex_hu, _SHARED_HU)
        return float(np.sort(found.misfit_hu**2)[:kept].mean())

    return _least(misfit, _DENSITIES_HU, 10.0)


def _skin_blur(volume: Volume) -> float | None:
    """Blur of the edge between air and skin within the slices, None where the scan shows too little skin."""
    points = _skin_points(volume)
    if len(points) < _FEWEST:
        return None
    ways = 1.5 * np.eye(3)
    rise = np.stack([sample(volume, points - way) - sample(volume, points + way) for way in ways], axis=1)
    size = np.linalg.norm(rise, axis=1)
    outward = rise / np.maximum(size, 1e-6)[:, None]
    upright = (size > _LEAST_SKIN_STEP_HU) & (np.abs(outward @ volume.directions[:, 2]) < _UPRIGHT)
    offsets = profile_offsets(_SKIN_OUTSIDE_MM)
    profiles = _read(volume, points, outward.astype(np.float64), upright, offsets)
    if len(profiles) < _FEWEST:
        return None

    def misfit(sigma: float) -> float:
        return _median_misfit(fit_layers(profiles, offsets, np.full(len(profiles), sigma), _SKIN_HU, _SKIN_SPREAD_HU))

    return _least(misfit, _BLURS_MM, 0.01)


def _skin_points(volume: Volume) -> Array:
    """Where lines within slices first meet the body, (n, 3) LPS mm: from both sides along i, from one end along j.

    The table lies at the other end.
    """
    found = []
    front = 0 if volume.directions[1, 1] > 0 else -1
    for k in range(2, len(volume.voxels) - 2, max(round(_SKIN_EVERY_MM / volume.spacing_mm[2]), 1)):
        body = volume.voxels[k] > _BODY_HU
        rows, columns = np.nonzero(body.any(axis=1))[0], np.nonzero(body.any(axis=0))[0]
        if len(rows) < _SKIN_LINES or len(columns) < _SKIN_LINES:
            continue
        for j in _spread(rows, (10.0, 60.0), _SKIN_LINES // 2):
            met = np.flatnonzero(body[j])
            found += [(met[0] - 0.5, j, k), (met[-1] + 0.5, j, k)] if len(met) else []
        for i in _spread(columns, (10.0, 90.0), _SKIN_LINES):
            met = np.flatnonzero(body[:, i])
            found += [(i, met[front] + (0.5 if front else -0.5), k)] if len(met) else []
    return volume.to_lps(np.array(found, dtype=np.float64).reshape(-1, 3))


def _spread(values: npt.NDArray[np.integer[Any]], between: tuple[float, float], count: int) -> IntArray:
    """Evenly spaced whole numbers between two percentiles."""
    low, high = (float(np.percentile(values, share)) for share in between)
    return np.linspace(low, high, count).astype(np.int32)


def _median_misfit(layers: Layers) -> float:
    return float(np.median(layers.misfit_hu))


def _least(misfit: Callable[[float], float], bounds: tuple[float, float], tolerance: float) -> float:
    return float(minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": tolerance}).x)


def fall_noise_hu(volume: Volume) -> float:
    """Return one standard deviation of the difference of two means over 1.2 mm along the rows, in soft tissue."""
    flat = np.linspace(0, volume.voxels.size - 1, _NOISE_READ).astype(np.int64)
    k, j, i = np.unravel_index(flat, volume.voxels.shape)
    points = volume.to_lps(np.stack([i, j, k], axis=1).astype(np.float64))
    offsets = np.arange(-_NOISE_SPAN, _NOISE_SPAN + 1) * _NOISE_STEP_MM
    profiles = sample(volume, points[:, None] + offsets[:, None] * volume.directions[:, 0], outside=np.nan)
    middle = profiles.mean(axis=1)
    soft = profiles[(middle > _SOFT_HU[0]) & (middle < _SOFT_HU[1])].astype(np.float64)
    if len(soft) < _NOISE_FEWEST:
        return _USUAL_NOISE_HU
    steps = 0.5 * (soft[:, 1:] + soft[:, :-1])
    fall = steps[:, :_NOISE_SPAN].mean(axis=1) - steps[:, _NOISE_SPAN:].mean(axis=1)
    # soft tissue has edges of its own: a few large falls must not count
    return 1.4826 * float(np.median(np.abs(fall - np.median(fall))))
