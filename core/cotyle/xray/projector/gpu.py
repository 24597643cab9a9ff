"""Joseph's sums on a CUDA card: each plane of the packed volume is one layer of a texture.

The card's texture units interpolate between the four nearest voxels of a layer in one fetch, and repeat the outermost
voxels beyond the last centre: just what Joseph's method asks for, on the same packed planes as on the CPU and with the
same choice of planes for each ray. Textures interpolate with shares rounded to 1/256 (CUDA C++ Programming Guide,
"Linear Filtering"), which costs about 5e-6 of a line integral at the median and 2e-4 at most on a whole CT.

Needs the extra ``gpu`` (cupy) and a card; nothing here is imported unless asked for.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.projector.packed_volume import PackedVolume, Precision

_BLOCK = (32, 8, 1)
_MOST_LAYERS = 2048
_LAYERED = 1  # cudaArrayLayered

_SOURCE = r"""
extern "C" __global__ void joseph(
    cudaTextureObject_t planes, int count0, int count1, int count2, int axis0, int axis1, int axis2,
    const double* beams, int rows, int columns, int own_rays_only, float mu_per_value, float* integrals)
{
    const int column = blockIdx.x * blockDim.x + threadIdx.x, row = blockIdx.y * blockDim.y + threadIdx.y;
    const int picture = blockIdx.z;
    if (column >= columns || row >= rows) return;
    // source in cells; way to pixel (0, 0), steps to the next column and row in voxels, and the same in mm
    const double *s = beams + 21 * picture, *v = s + 3, *w = s + 12;
    double d[3], square = 0.0;
    for (int axis = 0; axis < 3; ++axis) {
        d[axis] = v[axis] + column * v[3 + axis] + row * v[6 + axis];
        const double way = w[axis] + column * w[3 + axis] + row * w[6 + axis];
        square += way * way;
    }
    const double x = fabs(d[0]), y = fabs(d[1]), z = fabs(d[2]);
    const int follows = (x >= y && x >= z) ? 0 : (y >= z ? 1 : 2);
    if (own_rays_only && follows != axis0) return;
    const double along[3] = {d[axis0], d[axis1], d[axis2]};
    const int ends[3] = {count0, count1, count2};
    double since = 0.0, until = 1.0;
    for (int axis = 0; axis < 3; ++axis) {
        const double step = fabs(along[axis]) > 1e-12 ? along[axis] : 1e-12;
        const double one = (-0.5 - s[axis]) / step, other = (ends[axis] - 0.5 - s[axis]) / step;
        since = fmax(since, fmin(one, other));
        until = fmin(until, fmax(one, other));
    }
    if (since >= until) return;
    const double one = s[0] + since * along[0], other = s[0] + until * along[0];
    const float enter = fmin(one, other), leave = fmax(one, other);
    const double slope_row = along[1] / along[0], slope_column = along[2] / along[0];
    // texel centres lie at + 0.5, and the planes have a border of one
    const float row0 = s[1] - s[0] * slope_row + 1.5, column0 = s[2] - s[0] * slope_column + 1.5;
    const float per_row = slope_row, per_column = slope_column;
    const int first = max((int)floorf(enter + 0.5f), 0), last = min((int)ceilf(leave - 0.5f), count0 - 1);
    float total = 0.0f;
    #pragma unroll 4
    for (int plane = first + 1; plane < last; ++plane)
        total += tex2DLayered<float>(planes, fmaf(plane, per_column, column0), fmaf(plane, per_row, row0), plane);
    // the first and the last plane count as far as the ray lies within the volume
    for (int plane = first; plane <= last; plane += max(last - first, 1)) {
        const float share = fminf(plane + 0.5f, leave) - fmaxf(plane - 0.5f, enter);
        total += share * tex2DLayered<float>(
            planes, fmaf(plane, per_column, column0), fmaf(plane, per_row, row0), plane);
    }
    const size_t pixel = ((size_t)picture * rows + row) * columns + column;
    integrals[pixel] = total * mu_per_value * (float)(sqrt(square) / fabs(along[0]));
}
"""


class CardVolume:
    """A packed volume on the card, ready to be projected along its main axis.

    Parameters
    ----------
    packed:
        ``ACCURATE``; copied to the card (2 bytes a voxel).

    Raises
    ------
    InputError
        ``gpu-missing`` without cupy or a card, ``gpu-size`` if it has more planes than a texture has layers.
    """

    def __init__(self, packed: PackedVolume) -> None:
        if packed.precision is not Precision.ACCURATE:
            raise ValueError("a card takes volumes packed with 16 bits")
        cupy = self._cupy = card()
        planes, rows, columns = packed.cells.shape
        if planes > _MOST_LAYERS:
            raise InputError(
                "gpu-size",
                f"the scan has {planes} planes, a card takes {_MOST_LAYERS}",
                "Use the CPU, or a coarser copy",
            )
        runtime, texture = cupy.cuda.runtime, cupy.cuda.texture
        bits_16 = texture.ChannelFormatDescriptor(16, 0, 0, 0, runtime.cudaChannelFormatKindUnsigned)
        layers = texture.CUDAarray(bits_16, columns, rows, planes, _LAYERED)
        layers.copy_from(packed.cells)
        self._texture = texture.TextureObject(
            texture.ResourceDescriptor(runtime.cudaResourceTypeArray, cuArr=layers),
            texture.TextureDescriptor(
                addressModes=(runtime.cudaAddressModeClamp, runtime.cudaAddressModeClamp),
                filterMode=runtime.cudaFilterModeLinear,
                readMode=runtime.cudaReadModeNormalizedFloat,
                normalizedCoords=0,
            ),
        )
        counts = (planes, rows - 2, columns - 2)
        self._geometry = tuple(np.int32(number) for number in (*counts, *packed.axes))
        self._lps_to_cell = packed.lps_to_cell
        # directions along i, j, k, so that all packings compare the same numbers
        self._to_voxels = packed.lps_to_cell[np.argsort(packed.axes), :3].T
        # a texture of 16 bits reads as 0 to 1
        self._mu_of_one = np.float32(packed.mu_per_level * 65535)
        self.bytes_used = packed.cells.nbytes

    def add_line_integrals(self, sources: Array, rays: Array, own_rays_only: bool, integrals: Any) -> None:
        """As :func:`cotyle.xray.projector.fast.add_line_integrals`; ``integrals`` is a cupy array."""
        pictures, rows, columns = integrals.shape
        beams = np.empty((pictures, 7, 3))
        beams[:, 0] = sources @ self._lps_to_cell[:3, :3].T + self._lps_to_cell[:3, 3]
        beams[:, 1:4] = rays @ self._to_voxels
        beams[:, 4:] = rays
        grid = (-(-columns // _BLOCK[0]), -(-rows // _BLOCK[1]), pictures)
        sizes = (np.int32(rows), np.int32(columns), np.int32(own_rays_only), self._mu_of_one)
        _kernel()(grid, _BLOCK, (self._texture, *self._geometry, self._cupy.asarray(beams), *sizes, integrals))


def card() -> Any:
    """Return cupy.

    Raises
    ------
    InputError
        ``gpu-missing`` if it is not installed or finds no card that works.
    """
    try:
        import cupy
    except ImportError as error:
        raise InputError(
            "gpu-missing", "pictures on a card need cupy", "pip install 'cotyle[gpu]', or use the CPU"
        ) from error
    try:
        count = cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError:
        count = 0
    if count < 1:
        raise InputError("gpu-missing", "no CUDA card was found", "Use the CPU")
    return cupy


@lru_cache(maxsize=1)
def _kernel() -> Any:
    return card().RawKernel(_SOURCE, "joseph")
