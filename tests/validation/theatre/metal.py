"""Metal in the picture: cup, reamer and rods.

Cup and reamer become voxels of a fine local grid by an inside-test on many points of each voxel at a surface, and go
through the outside projector; no chord formula of the code under test is used. Rods (handles) are long and plain: the
chord of a ray in a round bar with flat ends, in closed form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from scipy import ndimage

FINE_MM = 0.4
SUB_POINTS = 4

Distance = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Dome:
    """A hemispherical shell: of a cup (solid) or of a reamer, a perforated one that fills only part of its volume.

    axis_lps points out of the mouth; mu_per_mm is that of its metal times the share that it fills.
    """

    center_lps_mm: Array
    axis_lps: Array
    radius_mm: float
    thickness_mm: float
    mu_per_mm: float


def dome_excess(dome: Dome, rest_mu: Volume, bed_mu: float) -> Volume:
    """Return what a dome adds to the body, mu in 1/mm on a grid of 0.4 mm around it.

    The bone within its half ball was reamed away: what lies inside the shell has ``bed_mu`` (blood, air kept out).
    ``rest_mu`` is the body without femora, axes along LPS.
    """
    half = int(np.ceil((dome.radius_mm + 1.0) / FINE_MM))
    line = np.arange(-half, half + 1) * FINE_MM
    outer, inner = (_half_ball(dome.axis_lps, dome.radius_mm - wall) for wall in (0.0, dome.thickness_mm))
    x, y, z = line[None, None, :], line[None, :, None], line[:, None, None]
    across, deep = np.sqrt(x * x + y * y + z * z), x * dome.axis_lps[0] + y * dome.axis_lps[1] + z * dome.axis_lps[2]
    near = np.argwhere((across < dome.radius_mm + FINE_MM) & (deep < FINE_MM))
    points: Array = line[near[:, ::-1]].astype(np.float64)
    ball, hollow = share_inside(points, outer, FINE_MM), share_inside(points, inner, FINE_MM)
    before = _sampled(rest_mu, points + dome.center_lps_mm)
    excess = np.zeros((len(line), len(line), len(line)), dtype=np.float32)
    excess[tuple(near.T)] = (ball - hollow) * dome.mu_per_mm + hollow * bed_mu - ball * before
    affine = np.diag([FINE_MM, FINE_MM, FINE_MM, 1.0])
    affine[:3, 3] = dome.center_lps_mm - half * FINE_MM
    return Volume(excess, affine)


def share_inside(points: Array, distance: Distance, edge_mm: float) -> Array:
    """Return the share of a cube around each point (n, 3) that lies inside.

    ``distance`` gives a signed distance (negative inside) that is never longer than the true one; only cubes that the
    surface can cross are tested at 4 x 4 x 4 points.
    """
    level = distance(points)
    share = (level < 0).astype(float)
    reach = 0.5 * np.sqrt(3.0) * edge_mm
    crossed = np.flatnonzero(np.abs(level) < reach)
    steps = ((np.arange(SUB_POINTS) + 0.5) / SUB_POINTS - 0.5) * edge_mm
    total = np.zeros(len(crossed))
    for shift in np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3):
        total += distance(points[crossed] + shift) < 0
    share[crossed] = total / SUB_POINTS**3
    return share


def _half_ball(axis: Array, radius_mm: float) -> Distance:
    def level(points: Array) -> Array:
        return np.asarray(np.maximum(np.sqrt(np.einsum("ij,ij->i", points, points)) - radius_mm, points @ axis))

    return level


def _sampled(volume: Volume, points_lps_mm: Array) -> Array:
    ijk = volume.to_ijk(points_lps_mm)
    return np.asarray(ndimage.map_coordinates(volume.voxels, ijk.T[::-1], order=1, mode="nearest"))


def rod_chords_mm(carm: CArm, start_lps_mm: Array, end_lps_mm: Array, radius_mm: float) -> npt.NDArray[np.float32]:
    """Return the length of each ray in a round bar with flat ends, shape (rows, columns)."""
    columns, rows = carm.size
    length = float(np.linalg.norm(end_lps_mm - start_lps_mm))
    axis = (end_lps_mm - start_lps_mm) / length
    to_source = carm.source_lps_mm - start_lps_mm
    chords = np.zeros((rows, columns), dtype=np.float32)
    window = _seen(carm, start_lps_mm, end_lps_mm, radius_mm)
    if window is None:
        return chords
    first_row, last_row, first_column, last_column = window
    grid = np.meshgrid(np.arange(first_column, last_column), np.arange(first_row, last_row))
    rays = carm.ray(np.stack(grid, axis=-1).reshape(-1, 2))
    along, origin = rays @ axis, float(to_source @ axis)
    # infinite cylinder: |(to_source + t ray) across the axis| < radius
    across, start = rays - along[:, None] * axis, to_source - origin * axis
    a, b, c = (across**2).sum(axis=1), across @ start, float(start @ start) - radius_mm**2
    # a ray exactly along the bar, or exactly across it, is taken as one that leans by a hair
    a = np.maximum(a, 1e-12)
    along = np.where(np.abs(along) < 1e-12, 1e-12, along)
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    ends = np.sort(np.stack([-origin / along, (length - origin) / along]), axis=0)
    chord = np.minimum((-b + root) / a, ends[1]) - np.maximum((-b - root) / a, ends[0])
    chord = np.where(b * b > a * c, np.maximum(chord, 0.0), 0.0)
    chords[first_row:last_row, first_column:last_column] = chord.reshape(grid[0].shape)
    return chords


def _seen(carm: CArm, start: Array, end: Array, radius_mm: float) -> tuple[int, int, int, int] | None:
    """Rows and columns that a bar between two points can shade."""
    ends = carm.project(np.stack([start, end]))
    if not np.isfinite(ends).all():
        return None
    margin = 2.0 + 1.5 * radius_mm * max(carm.magnification(point) for point in (start, end)) / min(carm.pixel_pitch_mm)
    low, high = np.floor(ends.min(axis=0) - margin), np.ceil(ends.max(axis=0) + margin)
    low, high = np.clip(low, 0, carm.size).astype(int), np.clip(high, 0, carm.size).astype(int)
    return None if (high <= low).any() else (low[1], high[1], low[0], high[0])
