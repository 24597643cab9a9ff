"""Line integrals of attenuation along the rays of a cone beam: the readable reference.

Joseph's method (Joseph PM, IEEE Trans Med Imaging 1982;1:192-6): a ray is cut where it meets the planes of voxel
centres at right angles to the grid axis it follows most; on each plane the value is interpolated between the four
nearest voxels and counts for the length of ray from half a voxel before to half a voxel behind.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.xray.attenuation import AttenuationCurve, attenuation_curve
from cotyle.xray.carm import CArm
from cotyle.xray.projector.attenuation_grid import as_int16, in_memory
from cotyle.xray.projector.threads import in_threads


def line_integrals(volume: Volume, carm: CArm, curve: AttenuationCurve | None = None) -> npt.NDArray[np.float32]:
    """Return the integral of mu (no unit) along the ray to each pixel, shape (rows, columns).

    Parameters
    ----------
    volume:
        HU; its affine may be oblique, sheared or mirrored. Taken as it stands if it holds 16-bit integers, else
        rounded to them. Voxels fill the whole box out to half a voxel beyond the outermost centres; outside is
        air (0).
    carm:
        Only the stretch of ray from source to detector counts.
    curve:
        HU to mu; :func:`~cotyle.xray.attenuation.attenuation_curve` by default.
    """
    table = (attenuation_curve() if curve is None else curve).table
    memory, steps = in_memory(as_int16(volume.voxels))
    linear = volume.lps_to_ijk[:3, :3]
    rays_lps = rays_of(carm)
    columns, rows = carm.size
    integrals = np.zeros((rows, columns), dtype=np.float32)
    counts, source = np.array(volume.size, dtype=np.int64), volume.to_ijk(carm.source_lps_mm)
    in_threads(_joseph, memory, steps, counts, source, rays_lps @ linear.T, rays_lps, table, integrals)
    return integrals


def rays_of(carm: CArm) -> Array:
    """Return the way from source to pixel (0, 0) and the steps to the next column and row, shape (3, 3), LPS mm."""
    per_column = carm.column_direction_lps * carm.pixel_pitch_mm[0]
    per_row = carm.row_direction_lps * carm.pixel_pitch_mm[1]
    return np.stack([carm.detector_origin_lps_mm - carm.source_lps_mm, per_column, per_row])


@numba.njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def _joseph(memory, steps, counts, source, rays, rays_lps, table, integrals, first_row, row_step):  # type: ignore[no-untyped-def]
    """Integrate over all pixels of a thread's rows; ``rays`` and ``rays_lps`` hold, in voxels and in mm, the way from
    the source to pixel (0, 0) and the steps to the next column and row.
    """
    rows, columns = integrals.shape
    for row in range(first_row, rows, row_step):
        for column in range(columns):
            direction = rays[0] + column * rays[1] + row * rays[2]
            way = rays_lps[0] + column * rays_lps[1] + row * rays_lps[2]
            first, last = inside_box(source, direction, counts)
            if first >= last:
                continue
            a = _main_axis(direction)
            mm_per_plane = np.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2) / abs(direction[a])
            ends = source[a] + first * direction[a], source[a] + last * direction[a]
            planes = _sum_over_planes(memory, steps, counts, source, direction, a, min(ends), max(ends), table)
            integrals[row, column] = planes * mm_per_plane


@numba.njit(cache=True, fastmath=True, error_model="numpy")
def inside_box(source, direction, counts):  # type: ignore[no-untyped-def]
    """Return the share of the way from source to pixel at which the ray enters and leaves the box of voxels."""
    first, last = 0.0, 1.0
    for axis in range(3):
        if abs(direction[axis]) < 1e-12:
            if source[axis] < -0.5 or source[axis] > counts[axis] - 0.5:
                return 1.0, 0.0
        else:
            low = (-0.5 - source[axis]) / direction[axis]
            high = (counts[axis] - 0.5 - source[axis]) / direction[axis]
            first = max(first, min(low, high))
            last = min(last, max(low, high))
    return first, last


@numba.njit(cache=True, fastmath=True)
def _main_axis(direction):  # type: ignore[no-untyped-def]
    x, y, z = abs(direction[0]), abs(direction[1]), abs(direction[2])
    if x >= y and x >= z:
        return 0
    return 1 if y >= z else 2


@numba.njit(cache=True, fastmath=True, error_model="numpy")
def _sum_over_planes(memory, steps, counts, source, direction, a, enter, leave, table):  # type: ignore[no-untyped-def]
    """Sum the interpolated mu over the planes of axis ``a`` between two coordinates, in voxels of that axis."""
    b, c = (a + 1) % 3, (a + 2) % 3
    slope_b, slope_c = direction[b] / direction[a], direction[c] / direction[a]
    start_b, start_c = source[b] - source[a] * slope_b, source[c] - source[a] * slope_c
    step_a, step_b, step_c = steps[a], steps[b], steps[c]
    last_b, last_c = float(counts[b] - 1), float(counts[c] - 1)
    # the corner below the last voxel, so that the next one is still inside; a single voxel is its own neighbour
    top_b, top_c = max(counts[b] - 2, 0), max(counts[c] - 2, 0)
    next_b, next_c = step_b * min(counts[b] - 1, 1), step_c * min(counts[c] - 1, 1)
    first_plane = max(int(np.floor(enter + 0.5)), 0)
    last_plane = min(int(np.ceil(leave - 0.5)), counts[a] - 1)
    total = 0.0
    for plane in range(first_plane, last_plane + 1):
        at_b = min(max(start_b + plane * slope_b, 0.0), last_b)
        at_c = min(max(start_c + plane * slope_c, 0.0), last_c)
        index_b, index_c = min(int(at_b), top_b), min(int(at_c), top_c)
        part_b, part_c = at_b - index_b, at_c - index_c
        corner = plane * step_a + index_b * step_b + index_c * step_c
        low = table[memory[corner] + 32768] * (1.0 - part_b) + table[memory[corner + next_b] + 32768] * part_b
        corner += next_c
        high = table[memory[corner] + 32768] * (1.0 - part_b) + table[memory[corner + next_b] + 32768] * part_b
        share = min(plane + 0.5, leave) - max(plane - 0.5, enter)
        total += share * (low * (1.0 - part_c) + high * part_c)
    return total
