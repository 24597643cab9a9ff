"""Quick estimates of what ``measure`` measures, 20,000 cups in a few seconds.

What each leaves out, beside the interpolation of :mod:`cotyle.cup.options.bone_field`:

* cover: 2,000 points of the shell instead of 20,000, no soft bed;
* wall along the axis: the rules of :mod:`cotyle.cup.wall` on the surface, without what only the scan shows;
* least wall: exact where the inner surface lies in front of the rim plane; beside it the middles of triangles stand for
  them;
* removed bone: points 3.5 mm apart, each weighed by how far it lies within bone and reamer, instead of columns;
* front and back wall: the same lines as :mod:`cotyle.cup.options.rim_walls`, without bridging gaps.

Their errors against ``measure`` are in docs/methods/options.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from cotyle.cup.coverage import SECTORS
from cotyle.cup.inner_surface import SQUARE_COSINE, InnerSurface, closest_on_triangle
from cotyle.cup.options.bone_field import BoneField, distance_at, next_surface_mm
from cotyle.cup.options.rim_walls import BACK_AZIMUTH_DEG, BESIDE_FLOOR_MM, FRONT_AZIMUTH_DEG, wall_lines
from cotyle.cup.wall import BRIDGED_GAP_MM, DEEPEST_FOSSA_MM, FARTHEST_FLOOR_MM
from cotyle.space.arrays import Array, IntArray, for_compiled, read_only
from cotyle.space.directions import hemisphere_directions

SHELL_POINTS = 2000
LATTICE_MM = 3.5
LOOK_BACK_MM = 30.0
AIMED_FROM_MM, LARGEST_LEAN_COSINE = 0.5, 0.5
COVER, ABOVE, FRONT, BACK, ALONG, LEAST, FRONT_WALL, BACK_WALL, REMOVED = range(9)
MEASURED = 9
# Longer than any bone behind a socket.
_FARTHEST_BONE_MM = 90.0
# A line goes on from just past where it met the surface.
_PAST_MM = 0.02


@dataclass(frozen=True, eq=False)
class Ground:
    """All that trying a cup needs of one hip: the bone's field, its inner surface, the native centre (3,), LPS mm."""

    field: BoneField
    inner: InnerSurface
    native_center_lps_mm: Array


@dataclass(frozen=True, eq=False)
class _Shell:
    """Points of the unit hemisphere as parts along superior, anterior and inward, and the quarter of each."""

    directions: Array
    sectors: IntArray


def _shell() -> _Shell:
    directions = hemisphere_directions((0.0, 0.0, 1.0), SHELL_POINTS)
    azimuth = np.degrees(np.arctan2(directions[:, 1], directions[:, 0])) % 360.0
    return _Shell(read_only(directions), (np.floor((azimuth + 45.0) % 360.0 / 90.0)).astype(np.int32))


_SHELL = _shell()
_WALLS = np.concatenate([wall_lines(FRONT_AZIMUTH_DEG), wall_lines(BACK_AZIMUTH_DEG)])
_ABOVE, _FRONT, _BACK = (SECTORS.index(name) for name in ("superior", "anterior", "posterior"))


def quick_figures(
    ground: Ground,
    centers_lps_mm: Array,
    axes_lps: Array,
    radii_mm: Array,
    under_mm: tuple[float, float],
    least_cover: float = 0.0,
    least_wall_mm: float = -np.inf,
) -> Array:
    """Estimate cups and return rows (n, 9) of cover, above, front, back, wall along, least, front, back wall, removed.

    Parameters
    ----------
    centers_lps_mm:
        Shape (n, 3).
    axes_lps:
        Shape (n, 3, 3): unit directions in rows: superior and anterior in the rim plane, and inwards.
    radii_mm:
        Outer radii (n,).
    under_mm:
        How much smaller than the cup the first and the last reamer are (diameters).
    least_cover, least_wall_mm:
        A cup below either is told by cover and walls alone; the rest of its row is NaN.
    """
    rows = np.full((len(centers_lps_mm), MEASURED), np.nan)
    inner = ground.inner
    _all(
        ground.field.distance_mm,
        ground.field.low_lps_mm,
        (inner.corners_lps_mm, inner.normals_lps, inner.centroids_lps_mm, inner.reaches_mm),
        np.asarray(ground.native_center_lps_mm, dtype=float),
        for_compiled(centers_lps_mm),
        for_compiled(axes_lps),
        for_compiled(radii_mm),
        np.array(under_mm, dtype=float) / 2.0,
        np.array([least_cover, least_wall_mm]),
        (_SHELL.directions, _SHELL.sectors, _WALLS),
        rows,
    )
    return rows


@numba.njit(cache=True, nogil=True)
def _all(field, low, inner, native, centers, axes, radii, under, limits, samples, rows):  # type: ignore[no-untyped-def]
    for n in range(len(centers)):
        row, center, inward = rows[n], centers[n], axes[n, 2]
        last = radii[n] - under[1]
        pole = center + last * inward
        row[ALONG], advance = _along_axis(field, low, pole, inward, last)
        row[LEAST] = min(_least(inner, center, inward, last), advance)
        _cover(field, low, center, axes[n], radii[n], samples, row)
        if row[COVER] < limits[0] or row[LEAST] < limits[1]:
            continue
        half = len(samples[2]) // 2
        row[FRONT_WALL] = _rim_wall(field, low, center, axes[n], last, samples[2][:half])
        row[BACK_WALL] = _rim_wall(field, low, center, axes[n], last, samples[2][half:])
        row[REMOVED] = _removed(field, low, native, center, inward, radii[n] - under[0], last)


@numba.njit(cache=True)
def _cover(field, low, center, axes, radius, samples, row):  # type: ignore[no-untyped-def]
    directions, sectors = samples[0], samples[1]
    inside, points = np.zeros(4), np.zeros(4)
    for n in range(len(directions)):
        x, y, z = center[0], center[1], center[2]
        for axis in range(3):
            part = radius * directions[n, axis]
            x += part * axes[axis, 0]
            y += part * axes[axis, 1]
            z += part * axes[axis, 2]
        points[sectors[n]] += 1.0
        if distance_at(field, low, x, y, z) < 0.0:
            inside[sectors[n]] += 1.0
    row[COVER] = inside.sum() / points.sum()
    row[ABOVE] = inside[_ABOVE] / points[_ABOVE]
    row[FRONT] = inside[_FRONT] / points[_FRONT]
    row[BACK] = inside[_BACK] / points[_BACK]


@numba.njit(cache=True)
def _along_axis(field, low, pole, inward, radius):  # type: ignore[no-untyped-def]
    """Bone on the axis beyond the pole and the way to where it ends; 0 where the floor is through."""
    entry = 0.0
    if distance_at(field, low, pole[0], pole[1], pole[2]) >= 0.0:
        entry = next_surface_mm(field, low, pole, inward, 0.0, FARTHEST_FLOOR_MM)
        behind = next_surface_mm(field, low, pole, -inward, 0.0, 2.0 * radius)
        if np.isinf(entry) or (not np.isinf(behind) and entry + behind > DEEPEST_FOSSA_MM):
            return 0.0, 0.0
        if entry + behind < BRIDGED_GAP_MM:
            entry = 0.0
    leave = next_surface_mm(field, low, pole, inward, entry + _PAST_MM, _FARTHEST_BONE_MM)
    while True:
        again = next_surface_mm(field, low, pole, inward, leave + _PAST_MM, leave + BRIDGED_GAP_MM)
        if not again - leave < BRIDGED_GAP_MM:
            leave = min(leave, _FARTHEST_BONE_MM)
            return leave - entry, leave
        leave = next_surface_mm(field, low, pole, inward, again + _PAST_MM, _FARTHEST_BONE_MM)


@numba.njit(cache=True)
def _least(inner, center, inward, radius):  # type: ignore[no-untyped-def]
    """Least distance from the floor to triangles that face straight away from it; from all if none does."""
    corners, normals, centroids, reaches = inner
    best, any_square = np.inf, False
    rounds = 0
    while rounds < 2 and not any_square:
        for t in range(len(corners)):
            x, y, z = centroids[t, 0] - center[0], centroids[t, 1] - center[1], centroids[t, 2] - center[2]
            away = np.sqrt(x * x + y * y + z * z)
            along = x * inward[0] + y * inward[1] + z * inward[2]
            # the plane of a triangle is as far from the centre all over it, and no point of it is nearer
            plane = x * normals[t, 0] + y * normals[t, 1] + z * normals[t, 2]
            if along > reaches[t]:
                nearest = max(away - reaches[t], abs(plane))
                if nearest - radius >= best or (rounds == 0 and plane <= SQUARE_COSINE * nearest):
                    continue
            spot = closest_on_triangle(center, corners[t, 0], corners[t, 1], corners[t, 2])
            x, y, z = spot[0] - center[0], spot[1] - center[1], spot[2] - center[2]
            away = np.sqrt(x * x + y * y + z * z)
            along = x * inward[0] + y * inward[1] + z * inward[2]
            facing = normals[t, 0] * x + normals[t, 1] * y + normals[t, 2] * z
            if rounds == 0 and facing <= SQUARE_COSINE * away and along >= 0.0:
                continue
            any_square = True
            distance = away - radius
            if along < 0.0:
                distance = np.hypot(np.sqrt(max(away * away - along * along, 0.0)) - radius, along)
            best = min(best, distance)
        rounds += 1
    return best


@numba.njit(cache=True)
def _rim_wall(field, low, center, axes, radius, lines):  # type: ignore[no-untyped-def]
    found = np.zeros(len(lines))
    for n in range(len(lines)):
        way = lines[n, 0] * axes[0] + lines[n, 1] * axes[1] + lines[n, 2] * axes[2]
        start = center + radius * way
        entry = 0.0
        if distance_at(field, low, start[0], start[1], start[2]) >= 0.0:
            entry = next_surface_mm(field, low, start, way, 0.0, BESIDE_FLOOR_MM)
            if entry > BESIDE_FLOOR_MM:
                continue
        leave = next_surface_mm(field, low, start, way, entry + _PAST_MM, _FARTHEST_BONE_MM)
        found[n] = min(leave, _FARTHEST_BONE_MM) - entry
    return np.median(found)


@numba.njit(cache=True)
def _removed(field, low, native, center, inward, first, last):  # type: ignore[no-untyped-def]
    """Bone that both reamers take, ml: what the last one's way in sweeps, and what the first one's does beside it."""
    way = center - native
    length = np.sqrt((way * way).sum())
    total = _swept(field, low, center, inward, last, -last, LOOK_BACK_MM, center, inward, 0.0)
    if length > AIMED_FROM_MM and np.dot(way, inward) >= LARGEST_LEAN_COSINE * length:
        total += _swept(field, low, center, way / length, first, 0.0, length, center, inward, last)
    return total / 1000.0


@numba.njit(cache=True)
def _swept(field, low, center, inward, radius, front, back, kept_center, kept_way, kept_radius):  # type: ignore[no-untyped-def]
    """Bone within a reamer's way, from ``front`` (negative: ahead of its centre) to ``back`` behind it, mm3.

    Without what lies in the half-ball and the way of a reamer of ``kept_radius`` (0: none).
    """
    helper = np.zeros(3)
    helper[np.argmin(np.abs(inward))] = 1.0
    u = helper - np.dot(helper, inward) * inward
    u /= np.sqrt((u * u).sum())
    v = np.array(
        [
            inward[1] * u[2] - inward[2] * u[1],
            inward[2] * u[0] - inward[0] * u[2],
            inward[0] * u[1] - inward[1] * u[0],
        ]
    )
    half = int(radius / LATTICE_MM) + 1
    layers = int(np.ceil((back - front) / LATTICE_MM))
    deep = (back - front) / max(layers, 1)
    total = 0.0
    for a in range(-half, half + 1):
        for b in range(-half, half + 1):
            p, q = a * LATTICE_MM, b * LATTICE_MM
            across = np.hypot(p, q)
            if across >= radius + 0.5 * LATTICE_MM:
                continue
            for layer in range(layers):
                behind = front + (layer + 0.5) * deep
                away = across if behind >= 0.0 else np.hypot(across, behind)
                within = min(max(0.5 + (radius - away) / LATTICE_MM, 0.0), 1.0)
                if within == 0.0:
                    continue
                x = center[0] + p * u[0] + q * v[0] - behind * inward[0]
                y = center[1] + p * u[1] + q * v[1] - behind * inward[1]
                z = center[2] + p * u[2] + q * v[2] - behind * inward[2]
                bone = 0.5 - distance_at(field, low, x, y, z) / LATTICE_MM
                if bone <= 0.0:
                    continue
                if kept_radius > 0.0:
                    x, y, z = x - kept_center[0], y - kept_center[1], z - kept_center[2]
                    ahead = x * kept_way[0] + y * kept_way[1] + z * kept_way[2]
                    squared = x * x + y * y + z * z - (ahead * ahead if ahead < 0.0 else 0.0)
                    outside = (np.sqrt(max(squared, 0.0)) - kept_radius) / LATTICE_MM + 0.5
                    within = min(within, max(outside, 0.0))
                # where reamer and old socket run side by side this is the width of the sliver between them
                total += max(within + min(bone, 1.0) - 1.0, 0.0)
    return total * LATTICE_MM * LATTICE_MM * deep
