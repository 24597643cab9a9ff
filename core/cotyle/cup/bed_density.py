"""How dense the bone behind a shell is: over the whole bed, by region, along its edge, and its marrow.

Straight out of the shell the density of the CT is averaged over the first 10 mm, as far as they lie in bone. Regions:
``medial`` is all within 45 degrees of the pole, where the wall to the pelvis lies; the rest falls into the quarters of
:mod:`cotyle.cup.coverage`. The rim is the edge of that bone, where the cup is pressed in. Marrow is read 4 mm and more
below any surface of the bone, so that no cortex, dense or blurred, counts; it is what a reamer goes through once it is
past the hard plate.

Hounsfield units depend on tube voltage, kernel and patient; no line from them to mineral holds for every scanner. So
the marrow of the other hip, in the same picture, is read beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.cup.component import Cup
from cotyle.cup.coverage import SECTORS, rim_directions
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.frames import Frame
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh

REGIONS = ("medial", *SECTORS)
DEPTH_MM = 10.0
STEP_DEG = 5.0
MEDIAL_WITHIN_DEG = 45.0
_STEP_MM = 1.0
_LEAST_POINTS = 3
_RIM_DEG = 10.0
# Marrow is read at vertices this near to the shell, and only where there are so many.
_MARROW_WITHIN_MM, _LEAST_MARROW = 20.0, 30


@dataclass(frozen=True)
class RegionDensity:
    """One region of the bed: mean density of its bone, median of its marrow (both NaN where there is too little), and
    the share of it that has bone behind it, by area.
    """

    bone_hu: float
    marrow_hu: float
    bone_share: float


@dataclass(frozen=True, eq=False)
class BedDensity:
    """Density behind a shell.

    ``from_pole_deg`` (r,), ``around_deg`` (c,): azimuth in the rim plane, 0 superior, 90 anterior, 180 inferior. ``hu``
    (r, c): mean over the first 10 mm, NaN where there is no bone. ``rim_deg`` (c,): how far from the pole bone reaches,
    ``rim_hu`` (c,): density of its last 10 degrees there; NaN where a column meets no bone.
    """

    from_pole_deg: Array
    around_deg: Array
    hu: Array
    rim_deg: Array
    rim_hu: Array
    regions: Mapping[str, RegionDensity]
    marrow_hu: float


def bed_density(hip_bone: TriangleMesh, cup: Cup, frame: Frame, volume: Volume, deep_hu: Array) -> BedDensity:
    """Measure the density behind a cup's shell.

    Parameters
    ----------
    hip_bone:
        Closed surface before reaming, LPS mm.
    frame:
        Tells superior and anterior.
    volume:
        CT in HU.
    deep_hu:
        Density well inside the bone by vertex (:func:`cotyle.cup.wall_gaps.deep_density_hu`).
    """
    superior, anterior = rim_directions(cup.opening_axis_lps, frame)
    from_pole, around = np.arange(0.0, 90.1, STEP_DEG), np.arange(0.0, 360.0, STEP_DEG)
    polar, turn = np.deg2rad(np.meshgrid(from_pole, around, indexing="ij"))
    across = np.cos(turn)[..., None] * superior + np.sin(turn)[..., None] * anterior
    directions = np.sin(polar)[..., None] * across - np.cos(polar)[..., None] * cup.opening_axis_lps
    hu = _behind(hip_bone, cup, volume, directions.reshape(-1, 3)).reshape(polar.shape)
    area, (rim_deg, rim_hu) = np.sin(polar), _rim(hu, from_pole)
    offset = hip_bone.vertices_lps_mm - cup.center_lps_mm
    distance = np.linalg.norm(offset, axis=1)
    near = (distance < cup.radius_mm + _MARROW_WITHIN_MM) & (distance > cup.radius_mm - _MARROW_WITHIN_MM)
    near &= (offset @ cup.opening_axis_lps < 0.0) & np.isfinite(deep_hu)
    places = _region(offset @ superior, offset @ anterior, -(offset @ cup.opening_axis_lps))
    cells = _region(directions @ superior, directions @ anterior, -(directions @ cup.opening_axis_lps))
    return BedDensity(
        from_pole_deg=from_pole,
        around_deg=around,
        hu=hu,
        rim_deg=rim_deg,
        rim_hu=rim_hu,
        regions={
            name: RegionDensity(
                bone_hu=_weighted(hu, area, cells == number),
                marrow_hu=_median(deep_hu[near & (places == number)]),
                bone_share=_weighted(np.isfinite(hu).astype(float), area, cells == number),
            )
            for number, name in enumerate(REGIONS)
        },
        marrow_hu=_median(deep_hu[near]),
    )


def marrow_about(hip_bone: TriangleMesh, center_lps_mm: Array, radius_mm: float, deep_hu: Array) -> float:
    """Return the median density of the marrow within 20 mm of a sphere, NaN where too little of it is; for the other
    hip, which has no cup.
    """
    distance = np.linalg.norm(hip_bone.vertices_lps_mm - center_lps_mm, axis=1)
    near = (np.abs(distance - radius_mm) < _MARROW_WITHIN_MM) & np.isfinite(deep_hu)
    return _median(deep_hu[near])


def _behind(hip_bone: TriangleMesh, cup: Cup, volume: Volume, directions: Array) -> Array:
    """Return the mean density over the first 10 mm behind the shell that lie in bone, (n,)."""
    radii = cup.radius_mm + np.arange(0.5 * _STEP_MM, DEPTH_MM, _STEP_MM)
    points = cup.center_lps_mm + radii[None, :, None] * directions[:, None, :]
    values = sample(volume, points, outside=np.nan).astype(float)
    bone = inside(hip_bone, points.reshape(-1, 3), -cup.opening_axis_lps).reshape(values.shape)
    values[~bone] = np.nan
    found = np.isfinite(values).sum(axis=1)
    total = np.nansum(values, axis=1)
    return np.where(found >= _LEAST_POINTS, total / np.maximum(found, 1), np.nan)


def _region(up: Array, forward: Array, inward: Array) -> Array:
    """Return the number of the region in :data:`REGIONS` that each direction falls into."""
    medial = np.arctan2(np.hypot(up, forward), inward) <= np.deg2rad(MEDIAL_WITHIN_DEG)
    quarter = np.floor(((np.rad2deg(np.arctan2(forward, up)) + 45.0) % 360.0) / 90.0)
    return np.where(medial, 0.0, 1.0 + quarter)


def _weighted(values: Array, weights: Array, chosen: BoolArray) -> float:
    known = chosen & np.isfinite(values) & (weights > 0)
    return float(np.average(values[known], weights=weights[known])) if known.any() else float("nan")


def _median(values: Array) -> float:
    return float(np.median(values)) if len(values) >= _LEAST_MARROW else float("nan")


def _rim(hu: Array, from_pole_deg: Array) -> tuple[Array, Array]:
    """Return for each column where its bone ends, and the mean over the last 10 degrees of it."""
    at, density = np.full(hu.shape[1], np.nan), np.full(hu.shape[1], np.nan)
    for column in range(hu.shape[1]):
        known = np.flatnonzero(np.isfinite(hu[:, column]))
        if len(known):
            at[column] = from_pole_deg[known[-1]]
            last = known[from_pole_deg[known] >= at[column] - _RIM_DEG]
            density[column] = hu[last, column].mean()
    return at, density
