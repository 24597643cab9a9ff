"""What surrounds the bones: skin, fat, muscle, pelvic organs, joint cartilage, the table.

Drawn as a few smooth level functions on a coarse grid (negative inside, in mm) that are interpolated to the voxels,
so that their outlines are smooth at any voxel size. HU of soft tissue are textbook values (from memory): fat -100,
muscle 50 to 60, urine 0 to 10, cartilage 70 to 100, gas -1000. Contrast medium: 200 to 400 HU (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import transform_points
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

COARSE_MM = 4.0
FIELDS = ("skin", "muscle", "fat_planes", "cavity", "bowel", "bladder", "rectum", "rectal_gas", "off_bone")


@dataclass(frozen=True)
class Organs:
    """What the pelvic organs hold: HU of urine and of the contents of the bowel, contrast medium or not.

    full_mm: how much wider than usual a full bladder is in every direction; it and bright bowel keep ``wall_gap_mm``
    off the hip bones.
    """

    bladder_hu: float = 7.0
    bowel_hu: float = 38.0
    full_mm: float = 0.0
    wall_gap_mm: float = 4.0


USUAL_ORGANS = Organs()


@dataclass(frozen=True, eq=False)
class Tissue:
    """Level functions (fields, k, j, i) float32 on a coarse grid, sockets, and the height of the table's top."""

    fields: npt.NDArray[np.float32]
    origin_lps_mm: Array
    joints: Mapping[Side, Sphere]
    table_top_lps_mm: float
    organs: Organs = USUAL_ORGANS


def surrounding_tissue(
    bones: Mapping[str, TriangleMesh],
    body_to_lps: Array,
    joints: Mapping[Side, Sphere],
    grid: Volume,
    seed: int,
    more_fat_mm: float = 0.0,
    organs: Organs = USUAL_ORGANS,
) -> Tissue:
    """Soft tissue round placed bones. The body's own axes (no tilt) come from ``body_to_lps``."""
    corners = grid.corners_lps_mm
    low, high = corners.min(axis=0) - COARSE_MM, corners.max(axis=0) + COARSE_MM
    count = np.ceil((high - low) / COARSE_MM).astype(int) + 1
    axes = [low[n] + COARSE_MM * np.arange(count[n]) for n in range(3)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    inverse = np.linalg.inv(body_to_lps)
    body = np.stack([x, y, z], axis=-1) @ inverse[:3, :3].T + inverse[:3, 3]
    own = {name: transform_points(inverse, mesh.vertices_lps_mm) for name, mesh in bones.items()}
    rng = np.random.default_rng([seed, 7])

    def noise(correlation_mm: float) -> Array:
        field = gaussian_filter(rng.standard_normal(x.shape), correlation_mm / COARSE_MM)
        return np.asarray(field / field.std())

    skin = _skin(body, own) - more_fat_mm
    back = y[skin < 0].max() if (skin < 0).any() else 150.0
    table_top = back - 12.0
    skin = _smooth_max(skin, y - table_top, 10.0)
    muscle = skin + more_fat_mm + _fat_thickness(body, own) + 2.5 * noise(22.0)
    cavity, bladder, rectum, gas = _organs(body, own)
    # so that the step at the skin is as steep as any other: the level as a distance, to first order
    slope = np.linalg.norm(np.gradient(skin, COARSE_MM), axis=0)
    skin = skin / np.clip(slope, 0.3, 1.5)
    levels = [skin, muscle, noise(9.0), cavity + 3.0 * noise(14.0), noise(10.0), bladder, rectum, gas]
    off_bone = np.full(x.shape, -100.0)
    if organs != USUAL_ORGANS:
        hips = np.concatenate([bones[f"{side}_hip_bone"].vertices_lps_mm for side in Side])
        near = np.minimum(cavity, bladder - organs.full_mm) < 2.0 * COARSE_MM
        off_bone[near] = organs.wall_gap_mm - cKDTree(hips).query(np.stack([x, y, z], axis=-1)[near])[0]
        levels[5] = np.maximum.reduce([bladder - organs.full_mm, off_bone, 6.0 - rectum])
    fields = np.stack([*levels, off_bone])
    return Tissue(fields.astype(np.float32), low, joints, float(table_top), organs)


def _smooth_max(a: Array, b: Array, width: float) -> Array:
    """The larger of two levels with a rounded edge (polynomial blend)."""
    h = np.clip(0.5 + 0.5 * (a - b) / width, 0.0, 1.0)
    return np.asarray(b + (a - b) * h + width * h * (1.0 - h))


def _smooth_min(a: Array, b: Array, width: float) -> Array:
    return -_smooth_max(-a, -b, width)


def _skin(body: Array, own: Mapping[str, Array]) -> Array:
    """Body outline: a rounded trunk that divides into two thighs below the ischial tuberosities."""
    x, y, z = np.moveaxis(body, -1, 0)
    hips = np.concatenate([own["left_hip_bone"], own["right_hip_bone"]])
    femora = np.concatenate([own["left_femur"], own["right_femur"]])
    crest, ischium = hips[:, 2].max(), hips[:, 2].min()
    hip_width = np.abs(hips[:, 0]).max()
    trochanter = np.abs(femora[femora[:, 2] > ischium, 0]).max()
    sacrum_back = own["sacrum"][:, 1].max()
    middle = 0.5 * (femora[:, 0].min() + femora[:, 0].max())
    stations = [ischium - 60, ischium + 20, ischium + 75, 0.0, crest, crest + 40]
    half_width = np.interp(
        z,
        stations,
        np.array([trochanter + 20, trochanter + 28, trochanter + 30, hip_width + 34, hip_width + 26, hip_width + 12]),
    )
    front = np.interp(z, stations, [-22, -26, -36, -42, -48, -50])
    back = np.interp(z, stations, np.array([-14, 10, 22, 26, 22, 16]) + sacrum_back)
    center, half_depth = 0.5 * (front + back), 0.5 * (back - front)
    radius = (np.abs((x - middle) / half_width) ** 2.5 + np.abs((y - center) / half_depth) ** 2.5) ** 0.4
    trunk = (radius - 1.0) * np.minimum(half_width, half_depth)
    thighs = []
    for side in Side:
        shaft = own[f"{side}_femur"]
        shaft = shaft[(shaft[:, 2] < ischium - 10) & (shaft[:, 2] > ischium - 160)]
        x_line, y_line = np.polyfit(shaft[:, 2], shaft[:, 0], 1), np.polyfit(shaft[:, 2], shaft[:, 1], 1)
        dx = (x - np.polyval(x_line, z) + 20.0 * side.lateral_sign) / 90.0
        dy = (y - np.polyval(y_line, z) - 10.0) / 92.0
        thighs.append((np.sqrt(dx**2 + dy**2) - 1.0) * 90.0)
    legs = _smooth_min(thighs[0], thighs[1], 10.0)
    share = np.clip((z - (ischium - 35.0)) / 75.0, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    return np.asarray(trunk * share + legs * (1.0 - share))


def _fat_thickness(body: Array, own: Mapping[str, Array]) -> Array:
    """Fat under the skin: 11 mm, more on the belly, the flanks and the buttocks."""
    x, y, z = np.moveaxis(body, -1, 0)
    back = own["sacrum"][:, 1].max()
    belly = np.exp(-(((y + 45.0) / 40.0) ** 2)) * np.exp(-(((z - 20.0) / 70.0) ** 2))
    flank = np.clip((np.abs(x) - 110.0) / 60.0, 0.0, 1.0)
    buttock = np.exp(-(((y - back) / 45.0) ** 2)) * np.exp(-(((z + 80.0) / 60.0) ** 2))
    return np.asarray(11.0 + 12.0 * belly + 9.0 * flank + 14.0 * buttock)


def _organs(body: Array, own: Mapping[str, Array]) -> tuple[Array, Array, Array, Array]:
    """Levels of the pelvic and lower abdominal cavity, bladder, rectum, and the gas that floats in it."""
    x, y, z = np.moveaxis(body, -1, 0)
    hips = np.concatenate([own["left_hip_bone"], own["right_hip_bone"]])
    ischium = hips[:, 2].min()
    sacrum = own["sacrum"]
    front_of_sacrum = sacrum[sacrum[:, 2] > sacrum[:, 2].min() + 30.0][:, 1].mean() - 22.0
    middle = sacrum[:, 0].mean()
    symphysis = ischium + 45.0

    def ellipsoid(cx: float, cy: float, cz: float, rx: float, ry: float, rz: float) -> Array:
        radius = np.sqrt(((x - cx) / rx) ** 2 + ((y - cy) / ry) ** 2 + ((z - cz) / rz) ** 2)
        return np.asarray((radius - 1.0) * min(rx, ry, rz))

    lower = ellipsoid(middle, 68.0, symphysis + 55.0, 54.0, 50.0, 75.0)
    upper = ellipsoid(middle, 25.0, symphysis + 150.0, 96.0, 48.0, 95.0)
    cavity = _smooth_min(lower, upper, 12.0)
    bladder = ellipsoid(middle + 2.0, 44.0, symphysis + 32.0, 35.0, 26.0, 25.0)
    bend = front_of_sacrum - 0.004 * (z - symphysis - 60.0) ** 2
    tube = np.sqrt(((x - middle + 3.0) / 17.0) ** 2 + ((y - bend) / 14.0) ** 2) - 1.0
    rectum = np.maximum(14.0 * tube, np.abs(z - symphysis - 45.0) - 55.0)
    gas = np.maximum(np.maximum(rectum + 3.5, y - bend + 1.0), np.abs(z - symphysis - 62.0) - 20.0)
    return cavity, bladder, rectum, gas


def lay_tissue(hu: npt.NDArray[np.float32], grid: Volume, tissue: Tissue) -> None:
    """Fill HU values of a whole axis-aligned grid in place."""
    origin = grid.ijk_to_lps[:3, 3]
    start = (origin - tissue.origin_lps_mm) / COARSE_MM
    edge, contents = float(grid.spacing_mm.mean()), (tissue.organs.bladder_hu, tissue.organs.bowel_hu)
    _compose(hu, tissue.fields, start, grid.spacing_mm / COARSE_MM, edge, _table(grid, tissue), *contents)
    for side, sphere in tissue.joints.items():
        part = grid.around(sphere.center_lps_mm[None, :], sphere.radius_mm + 9.0)
        first = np.round(grid.to_ijk(part.ijk_to_lps[:3, 3])).astype(int)
        i, j, k = part.size
        box = hu[first[2] : first[2] + k, first[1] : first[1] + j, first[0] : first[0] + i]
        _lay_joint(
            box, part.ijk_to_lps[:3, 3] - sphere.center_lps_mm, grid.spacing_mm, sphere.radius_mm, side.lateral_sign
        )


def _table(grid: Volume, tissue: Tissue) -> npt.NDArray[np.float32]:
    """HU of the table by column and row (j, i): mattress, shell, foam, shell; -1000 elsewhere."""
    i, j = np.arange(grid.size[0]), np.arange(grid.size[1])
    x = grid.ijk_to_lps[0, 3] + i * grid.spacing_mm[0]
    depth = (grid.ijk_to_lps[1, 3] + j * grid.spacing_mm[1] - tissue.table_top_lps_mm)[:, None] + 0 * x
    edge = float(grid.spacing_mm[1])

    def share(low: float, high: float) -> Array:
        inside = np.clip(0.5 + (depth - low) / edge, 0, 1) * np.clip(0.5 + (high - depth) / edge, 0, 1)
        return np.asarray(inside * np.clip((198.0 - np.abs(x) - np.maximum(depth - 20.0, 0.0)) / edge, 0, 1))

    hu = -1000.0 + 120.0 * share(0.5, 13.0) + 60.0 * share(15.0, 46.0)
    hu += 900.0 * (share(13.0, 14.6) + share(46.0, 47.6))
    return np.asarray(hu, dtype=np.float32)


@numba.njit(cache=True, fastmath=True, inline="always")
def _share(level, edge):  # type: ignore[no-untyped-def]
    return min(1.0, max(0.0, 0.5 - level / edge))


@numba.njit(parallel=True, cache=True, fastmath=True)
def _compose(hu, fields, start, step, edge, table, bladder_hu, bowel_hu):  # type: ignore[no-untyped-def]
    nk, nj, ni = hu.shape
    count, ci = fields.shape[0], fields.shape[3]
    for k in numba.prange(nk):
        line = np.empty((count, ci), dtype=np.float32)
        f = np.empty(count, dtype=np.float32)
        z = start[2] + k * step[2]
        k0 = min(int(z), fields.shape[1] - 2)
        c = z - k0
        for j in range(nj):
            y = start[1] + j * step[1]
            j0 = min(int(y), fields.shape[2] - 2)
            b = y - j0
            for n in range(count):
                for i in range(ci):
                    line[n, i] = (1 - c) * ((1 - b) * fields[n, k0, j0, i] + b * fields[n, k0, j0 + 1, i]) + c * (
                        (1 - b) * fields[n, k0 + 1, j0, i] + b * fields[n, k0 + 1, j0 + 1, i]
                    )
            for i in range(ni):
                x = start[0] + i * step[0]
                i0 = min(int(x), ci - 2)
                a = x - i0
                skin = (1 - a) * line[0, i0] + a * line[0, i0 + 1]
                if skin > edge:
                    hu[k, j, i] = table[j, i]
                    continue
                for n in range(count):
                    f[n] = (1 - a) * line[n, i0] + a * line[n, i0 + 1]
                fat = -104.0 + 5.0 * f[2]
                plane = max(0.0, 1.0 - abs(f[2] - 0.15) / 0.10)
                muscle = 58.0 + 5.0 * f[4] - 110.0 * plane
                value = fat + (muscle - fat) * _share(f[1], edge)
                cavity = _share(f[3], edge)
                if cavity > 0:
                    loop = _share((0.1 - f[4]) * 12.0, 2.0)
                    content = -98.0 + 136.0 * loop
                    # contents of the bowel within its wall of 2.5 mm
                    content += (bowel_hu - 38.0) * _share((0.1 - f[4]) * 12.0 + 2.5, 2.0) * _share(f[8], edge)
                    content += (-880.0 - content) * _share((1.9 - f[4]) * 12.0, 1.5)
                    value += (content - value) * cavity
                    value += (38.0 - value) * _share(f[5] - 3.0, edge)
                    value += (bladder_hu - value) * _share(f[5], edge)
                    value += (42.0 - value) * _share(f[6], edge)
                    value += (22.0 - value) * _share(f[6] + 3.5, edge)
                    value += (-940.0 - value) * _share(f[7], edge)
                value += (25.0 - value) * _share(-1.6 - skin, edge)
                hu[k, j, i] = table[j, i] + (value - table[j, i]) * _share(skin, edge)


@numba.njit(parallel=True, cache=True, fastmath=True)
def _lay_joint(box, corner, spacing, radius, lateral_sign):  # type: ignore[no-untyped-def]
    """Cartilage and capsule within the socket's sphere, fat behind it in the fossa; bones are laid over it."""
    nk, nj, ni = box.shape
    for k in numba.prange(nk):
        for j in range(nj):
            for i in range(ni):
                x, y, z = corner[0] + i * spacing[0], corner[1] + j * spacing[1], corner[2] + k * spacing[2]
                r = np.sqrt(x * x + y * y + z * z)
                if r < radius + 0.6:
                    box[k, j, i] = 82.0
                elif r < radius + 8.0 and -lateral_sign * x > 0.45 * r and z < 0.35 * r:
                    box[k, j, i] = -55.0
