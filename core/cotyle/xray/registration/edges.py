"""Edges of a picture as the registration compares them: gradients of a smaller, smoothed copy, and what each counts.

Gradients make the match blind to slow shades (flesh, scatter). What is left of an unknown display curve is a local
contrast, which :func:`local_gain` takes out: in each window the simulated edges are scaled to fit the real ones best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

FloatPicture = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class EdgePicture:
    """Gradients along columns and rows, shape (2, rows, columns), and the weight of each pixel, 0 to 1."""

    gradient: FloatPicture
    weight: FloatPicture


def edge_picture(attenuation: FloatPicture, usable: npt.NDArray[np.bool_], size: tuple[int, int]) -> EdgePicture:
    """Return the edges of a picture in another size (columns, rows), each local contrast brought near 1.

    Pixels within two of one that is not usable count nothing: their gradient is that of the mask.
    """
    gradient, weight = gradients_of(attenuation, usable, size)
    energy = box_mean(weight * (gradient**2).sum(axis=0), _window(size))
    energy /= np.maximum(box_mean(weight, _window(size)), 1e-3)
    level = float((weight * energy).sum() / max(float(weight.sum()), 1.0))
    return _evened(gradient, weight, energy + 0.1 * level, _SATURATION)


def coarse_edge_picture(
    attenuation: FloatPicture,
    usable: npt.NDArray[np.bool_],
    size: tuple[int, int],
    aside: npt.NDArray[np.bool_] | None = None,
) -> EdgePicture:
    """Return edges for the coarse search, where a bar of metal must not draw the bone to itself.

    The local contrast is that of the common edges (few strong ones don't hide what lies near them), an edge counts by
    its direction more than by its strength, and what lies in ``aside`` (a mask of any size) counts nothing.
    """
    gradient, weight = gradients_of(attenuation, usable, size)
    if aside is not None:
        # half covered counts nothing
        weight = weight * np.clip(1.0 - 2.0 * area_resampled(aside.astype(np.float32), size), 0.0, 1.0)
    square = (gradient**2).sum(axis=0)
    energy = common_energy(square, weight, _window(size))
    level = float(np.median(energy[weight > 0.5])) if (weight > 0.5).any() else 0.0
    return _evened(gradient, weight, energy + 0.1 * level, _COARSE_SATURATION)


def common_energy(square: FloatPicture, weight: FloatPicture, window: int, rounds: int = 3) -> FloatPicture:
    """Return the local mean of squared edges, those over twice the mean clipped to that, a few times over."""
    counted = np.maximum(box_mean(weight, window), 1e-3)
    energy = box_mean(weight * square, window) / counted
    for _ in range(rounds):
        energy = box_mean(weight * np.minimum(square, 4.0 * energy), window) / counted
    return np.asarray(np.maximum(energy, 0.0), dtype=np.float32)


def gradients_of(
    attenuation: FloatPicture, usable: npt.NDArray[np.bool_], size: tuple[int, int]
) -> tuple[FloatPicture, FloatPicture]:
    """Return gradients of a smaller copy (columns, rows), (2, rows, columns), and the weight of each pixel."""
    held = usable.astype(np.float32)
    share = area_resampled(held, size)
    mean = area_resampled(np.where(usable, attenuation, 0.0).astype(np.float32), size)
    smaller = np.where(share > 0.01, mean / np.maximum(share, 0.01), 0.0).astype(np.float32)
    return gradients(smaller), np.ascontiguousarray(_worn((share > 0.99).astype(np.float32), 3))


def _evened(gradient: FloatPicture, weight: FloatPicture, energy: FloatPicture, saturation: float) -> EdgePicture:
    # saturation: a metal edge counts no more than a few times a bone's
    normal = gradient / np.sqrt(energy + 1e-20)
    length = np.sqrt(1.0 + (normal**2).sum(axis=0) / saturation**2)
    return EdgePicture((normal / length).astype(np.float32), weight.astype(np.float32))


_SATURATION = 2.0
_COARSE_SATURATION = 1.0


def _window(size: tuple[int, int]) -> int:
    """Half width of the window of local contrast, pixels: a tenth of the picture is about 20 mm at the hip."""
    return max(3, round(min(size) * 0.05))


def gradients(picture: FloatPicture) -> FloatPicture:
    """Return the gradient of a picture smoothed by (1, 2, 1) twice, shape (2, rows, columns)."""
    return np.asarray(_gradients(np.ascontiguousarray(picture, dtype=np.float32)))


def local_gain(fixed: EdgePicture, moving: FloatPicture) -> FloatPicture:
    """Return the factor, never negative, by which simulated edges fit the real ones best in each pixel's window."""
    rows, columns = moving.shape[1:]
    window = _window((columns, rows))
    common = box_mean(fixed.weight * (fixed.gradient * moving).sum(axis=0), window)
    own = box_mean(fixed.weight * (moving**2).sum(axis=0), window)
    floor = 0.05 * float(own.mean()) + 1e-20
    return np.asarray(np.maximum(common, 0.0) / (own + floor), dtype=np.float32)


def likeness(fixed: EdgePicture, moving: FloatPicture) -> float:
    """Return the correlation, -1 to 1, of two edge pictures over all weighted pixels, simulated edges evened first."""
    moving = evened(moving)
    weight = fixed.weight
    common = float((weight * (fixed.gradient * moving).sum(axis=0)).sum())
    own = float((weight * (fixed.gradient**2).sum(axis=0)).sum()) * float((weight * (moving**2).sum(axis=0)).sum())
    return common / np.sqrt(own) if own > 0 else 0.0


def evened(moving: FloatPicture) -> FloatPicture:
    """Return simulated edges (2, rows, columns), strong ones made less so: all of them must agree, not the best two."""
    square = (moving**2).sum(axis=0)
    return np.asarray(moving / np.sqrt(square + float(square.mean()) + 1e-20), dtype=np.float32)


def area_resampled(picture: FloatPicture, size: tuple[int, int]) -> FloatPicture:
    """Return the mean over the area of each new pixel, the outer edges staying; shape (rows, columns)."""
    columns, rows = size
    return _shrunk(_shrunk(np.asarray(picture, dtype=np.float32), rows).T, columns).T


def _shrunk(picture: FloatPicture, count: int) -> FloatPicture:
    """Means over ``count`` equal stretches of the first axis."""
    length = picture.shape[0]
    sums = np.zeros((length + 1, picture.shape[1]))
    np.cumsum(picture, axis=0, out=sums[1:])
    edges = np.linspace(0.0, length, count + 1)
    whole = np.minimum(edges.astype(int), length - 1)
    at_edges = sums[whole] + (edges - whole)[:, None] * picture[whole]
    return np.asarray(np.diff(at_edges, axis=0) / (length / count), dtype=np.float32)


def _worn(mask: FloatPicture, radius: int) -> FloatPicture:
    return (box_mean(mask, radius) > 0.999).astype(np.float32)


@numba.njit(cache=True, fastmath=True)
def _gradients(picture):  # type: ignore[no-untyped-def]
    rows, columns = picture.shape
    smooth, along = np.empty_like(picture), np.empty_like(picture)
    for _ in range(2):
        for r in range(rows):
            for c in range(columns):
                before, after = picture[r, max(c - 1, 0)], picture[r, min(c + 1, columns - 1)]
                along[r, c] = np.float32(0.25) * (before + after) + np.float32(0.5) * picture[r, c]
        for r in range(rows):
            above, below = max(r - 1, 0), min(r + 1, rows - 1)
            for c in range(columns):
                smooth[r, c] = np.float32(0.25) * (along[above, c] + along[below, c]) + np.float32(0.5) * along[r, c]
        picture = smooth.copy()
    out = np.empty((2, rows, columns), dtype=np.float32)
    for r in range(rows):
        above, below = max(r - 1, 0), min(r + 1, rows - 1)
        for c in range(columns):
            out[0, r, c] = np.float32(0.5) * (smooth[r, min(c + 1, columns - 1)] - smooth[r, max(c - 1, 0)])
            out[1, r, c] = np.float32(0.5) * (smooth[below, c] - smooth[above, c])
    return out


def box_mean(picture: FloatPicture, half: int) -> FloatPicture:
    """Return the mean over a square of 2 half + 1 pixels, cut off at the border."""
    return np.asarray(_box_mean(np.ascontiguousarray(picture, dtype=np.float32), half))


@numba.njit(cache=True, fastmath=True)
def _box_mean(picture, half):  # type: ignore[no-untyped-def]
    rows, columns = picture.shape
    along = np.empty((rows, columns), dtype=np.float32)
    sums = np.empty(columns + 1, dtype=np.float64)
    for r in range(rows):
        sums[0] = 0.0
        for c in range(columns):
            sums[c + 1] = sums[c] + picture[r, c]
        for c in range(columns):
            low, high = max(c - half, 0), min(c + half + 1, columns)
            along[r, c] = (sums[high] - sums[low]) / (high - low)
    mean = np.empty((rows, columns), dtype=np.float32)
    running = np.zeros(columns, dtype=np.float64)
    for r in range(min(half, rows)):
        running += along[r]
    first, last = 0, min(half, rows)
    for r in range(rows):
        low, high = max(r - half, 0), min(r + half + 1, rows)
        while last < high:
            running += along[last]
            last += 1
        while first < low:
            running -= along[first]
            first += 1
        for c in range(columns):
            mean[r, c] = running[c] / (high - low)
    return mean
