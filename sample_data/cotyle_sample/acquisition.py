"""What a scanner makes of a body: slices of some thickness, the blur of its kernel, noise, whole numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

from cotyle_sample.starved_rays import add_starved_noise


@dataclass(frozen=True)
class Kernel:
    """Blur of a scanner: standard deviations of Gaussians in the slice plane and along z, mm.

    ``overshoot`` a enhances edges within the slice: the blurred image is ``(1 + a) G(sigma_mm) - a G(halo_mm)``, so
    that density rises too high before an edge, falls too low behind it, and fine noise is amplified.
    """

    sigma_mm: float = 0.6
    z_sigma_mm: float = 0.4
    overshoot: float = 0.0
    halo_mm: float = 0.9


MEDIUM = Kernel()
SOFT = Kernel(sigma_mm=0.95, z_sigma_mm=0.5)
"""Wide blur; noise is coarse-grained."""
SHARP = Kernel(sigma_mm=0.35, z_sigma_mm=0.4, overshoot=0.7)
"""Passes 1.2 of what repeats every 3 mm; noise is fine-grained."""


@dataclass(frozen=True)
class Scanner:
    """How a body is scanned.

    layers: a slice is the mean of so many thin layers, each computed for itself, so that thick slices average over
    their thickness. starved_hu: standard deviation, in the middle of the body between the hips, of the noise of rays
    that lost most of their photons on the long way from hip to hip; it comes on top of the even noise.
    """

    kernel: Kernel = MEDIUM
    layers: int = 1
    starved_hu: float = 0.0


USUAL_SCANNER = Scanner()


def layered(grid: Volume, layers: int) -> Volume:
    """Grid of the thin layers of an empty axis-aligned grid: ``layers`` of them fill each slice."""
    affine = grid.ijk_to_lps.copy()
    affine[2, 2] /= layers
    affine[2, 3] -= 0.5 * (grid.spacing_mm[2] - affine[2, 2])
    i, j, k = grid.size
    return Volume(np.broadcast_to(np.uint8(0), (k * layers, j, i)), affine)


def acquire(
    hu: npt.NDArray[np.float32], layer_mm: Array, scanner: Scanner, noise_hu: float, seed: int
) -> npt.NDArray[np.int16]:
    """Scan the densities of thin layers (k, j, i) of size ``layer_mm`` (along i, j, k). Overwrites ``hu``.

    Noise has the standard deviation ``noise_hu`` after the blur in the body, half of it in air.
    """
    kernel = scanner.kernel
    narrow = [_gaussian(kernel.sigma_mm / step) for step in layer_mm[:2]]
    wide = [_gaussian(kernel.halo_mm / step) for step in layer_mm[:2]]
    along_z = np.convolve(_gaussian(kernel.z_sigma_mm / layer_mm[2]), np.full(scanner.layers, 1.0 / scanner.layers))
    along_z = along_z.astype(np.float32)
    if scanner.starved_hu > 0:
        size_hu = scanner.starved_hu / float(np.sqrt((along_z**2).sum()))
        add_starved_noise(hu, layer_mm, size_hu, np.random.default_rng([seed, 10]))
    if noise_hu > 0:
        gain = np.sqrt((_in_plane(kernel, narrow, wide) ** 2).sum() * (along_z**2).sum())
        for k in range(len(hu)):
            rng = np.random.Generator(np.random.SFC64([seed, 6, k]))
            grain = rng.standard_normal(hu.shape[1:], dtype=np.float32)
            grain *= np.where(hu[k] > -800.0, np.float32(noise_hu / gain), np.float32(0.5 * noise_hu / gain))
            hu[k] += grain
    halo = hu.copy() if kernel.overshoot else None
    _blur_in_plane(hu, *narrow)
    if halo is not None:
        _blur_in_plane(halo, *wide)
        np.subtract(hu, halo, out=halo)
        halo *= np.float32(kernel.overshoot)
        hu += halo
        del halo
    voxels = np.empty((len(hu) // scanner.layers, *hu.shape[1:]), dtype=np.int16)
    _blur_along_z(hu, along_z, scanner.layers, voxels)
    return voxels


def _gaussian(sigma: float) -> npt.NDArray[np.float32]:
    """Sampled Gaussian of the given width in voxels, sum one; a single 1 for no blur."""
    radius = int(np.ceil(3.2 * sigma)) if sigma > 0.05 else 0
    x = np.arange(-radius, radius + 1)
    kernel = np.exp(-0.5 * (x / max(sigma, 1e-6)) ** 2)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _in_plane(kernel: Kernel, narrow: list[npt.NDArray[np.float32]], wide: list[npt.NDArray[np.float32]]) -> Array:
    """The two-dimensional kernel of a slice."""
    if not kernel.overshoot:
        return np.outer(*narrow).astype(np.float64)
    lengths = [max(len(a), len(b)) for a, b in zip(narrow, wide, strict=True)]
    near, halo = (
        np.outer(*[np.pad(own, (n - len(own)) // 2) for own, n in zip(each, lengths, strict=True)])
        for each in (narrow, wide)
    )
    return np.asarray((1.0 + kernel.overshoot) * near - kernel.overshoot * halo, dtype=np.float64)


@numba.njit(parallel=True, cache=True, fastmath=True)
def _blur_in_plane(hu, kernel_i, kernel_j):  # type: ignore[no-untyped-def]
    nk, nj, ni = hu.shape
    ri, rj = len(kernel_i) // 2, len(kernel_j) // 2
    for k in numba.prange(nk):
        rows = np.empty((nj, ni), dtype=np.float32)
        for j in range(nj):
            for i in range(ni):
                total = np.float32(0.0)
                if ri <= i < ni - ri:
                    for t in range(2 * ri + 1):
                        total += kernel_i[t] * hu[k, j, i + t - ri]
                else:
                    for t in range(2 * ri + 1):
                        total += kernel_i[t] * hu[k, j, min(max(i + t - ri, 0), ni - 1)]
                rows[j, i] = total
        for j in range(nj):
            for i in range(ni):
                hu[k, j, i] = 0.0
            for t in range(2 * rj + 1):
                source = min(max(j + t - rj, 0), nj - 1)
                for i in range(ni):
                    hu[k, j, i] += kernel_j[t] * rows[source, i]


@numba.njit(parallel=True, cache=True, fastmath=True)
def _blur_along_z(hu, kernel, layers, voxels):  # type: ignore[no-untyped-def]
    """Each slice from the layers about its middle; ``kernel`` is as much longer than odd as there are more layers."""
    nk, nj, ni = voxels.shape
    before = (len(kernel) - layers) // 2
    for j in numba.prange(nj):
        row = np.empty(ni, dtype=np.float32)
        for k in range(nk):
            row[:] = 0.0
            for t in range(len(kernel)):
                source = min(max(k * layers + t - before, 0), len(hu) - 1)
                for i in range(ni):
                    row[i] += kernel[t] * hu[source, j, i]
            for i in range(ni):
                voxels[k, j, i] = np.int16(np.floor(min(max(row[i], -1024.0), 31743.0) + 0.5))
