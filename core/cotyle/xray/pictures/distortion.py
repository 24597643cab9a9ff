"""Distortion of an image intensifier from one picture of a square grid of dots: a model, and how to undo it.

In a picture plane taken as complex numbers z (columns real, rows imaginary, about a centre) the straight picture is

    w(z) = sum of c_ab z^a conj(z)^b.

Pin-cushion distortion is the real part and the S-shape of the earth's field the imaginary part of the coefficients of
``z |z|^2`` and ``z |z|^4``: that model has a centre of its own. The other one has every term of degree up to five, so
that each coordinate is a polynomial in both. The simpler is taken unless the other does clearly better on dots that
were held back. A grid tells neither its own turn nor its pitch in pixels: turn and scale of the straight picture are
those of the bent one at the centre.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.spatial import ConvexHull

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.xray.pictures.grid_dots import GridDots
from cotyle.xray.pictures.radiograph import Radiograph

Terms = tuple[tuple[int, int], ...]
Complex = npt.NDArray[np.complex128]

_TWISTED: Terms = ((0, 0), (1, 0), (2, 1), (3, 2))
_POLYNOMIAL: Terms = tuple((a, b) for degree in range(6) for a in range(degree, -1, -1) for b in [degree - a])
_COARSE_PX = 8
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Distortion:
    """How a picture is bent.

    Parameters
    ----------
    model:
        ``pin-cushion and S`` or ``polynomial``.
    center_px, reach_px:
        Centre (column, row), which stays where it is, and the length that z is measured in.
    terms, coefficients:
        Powers (a, b) and coefficients of w(z), in pixels.
    residual_px, held_back_px, worst_px:
        Root mean square distance of the dots from the straight grid, of those held back from the fit, and the
        greatest of all.
    dots, spacing_px:
        Number of dots and their distance at the centre in the straight picture.
    hull:
        Half planes (nx, ny, offset) that hold the dots: beyond them nothing is known.
    """

    model: str
    center_px: Array
    reach_px: float
    terms: Terms
    coefficients: Complex
    residual_px: float
    held_back_px: float
    worst_px: float
    dots: int
    spacing_px: float
    hull: Array

    def straight(self, points_px: npt.ArrayLike) -> Array:
        """Return where points (2,) or (n, 2) of the picture lie in the straight one; NaN beyond the dots."""
        points = np.asarray(points_px, dtype=float)
        z = _complex(points - self.center_px) / self.reach_px
        w = _basis(z, self.terms) @ self.coefficients
        straight = np.stack([w.real, w.imag], axis=-1) + self.center_px
        return np.asarray(np.where(self.covers(points)[..., None], straight, np.nan))

    def bent(self, points_px: npt.ArrayLike) -> Array:
        """Return where points of the straight picture lie in the bent one: the inverse, by Newton's method."""
        points = np.asarray(points_px, dtype=float)
        target = _complex(points - self.center_px)
        z = np.atleast_1d(target / self.reach_px)
        aim = np.atleast_1d(target)
        for _ in range(12):
            error = aim - _basis(z, self.terms) @ self.coefficients
            by_z, by_conjugate = _slopes(z, self.terms, self.coefficients)
            # error = by_z dz + by_conjugate conj(dz)
            step = (np.conj(by_z) * error - by_conjugate * np.conj(error)) / (
                np.abs(by_z) ** 2 - np.abs(by_conjugate) ** 2
            )
            z = z + step
        found = np.stack([z.real, z.imag], axis=-1) * self.reach_px + self.center_px
        found = found.reshape(points.shape)
        return np.asarray(np.where(self.covers(found)[..., None], found, np.nan))

    def covers(self, points_px: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether points of the picture lie among the dots, or within half a spacing of them."""
        points = np.asarray(points_px, dtype=float)
        with np.errstate(invalid="ignore"):
            beyond = (points @ self.hull[:, :2].T + self.hull[:, 2]).max(axis=-1)
            return np.asarray(beyond <= 0.5 * self.spacing_px)


def fit_distortion(grid: GridDots) -> Distortion:
    """Fit the distortion of a picture of a square grid.

    Raises
    ------
    InputError
        ``grid-residual`` if no model brings the dots within a tenth of their spacing.
    """
    held = np.arange(len(grid.points_px)) % 5 == 2
    simple = _twisted(grid, ~held)
    full = _fitted(grid, ~held, "polynomial", _POLYNOMIAL, grid.points_px.mean(axis=0))
    scores = [float(np.sqrt(np.mean(_errors_px(model, grid)[held] ** 2))) for model in (simple, full)]
    everyone = np.ones(len(held), dtype=bool)
    if scores[0] <= 1.1 * scores[1] + 0.01:
        chosen, held_back = _twisted(grid, everyone), scores[0]
    else:
        chosen = _fitted(grid, everyone, "polynomial", _POLYNOMIAL, grid.points_px.mean(axis=0))
        held_back = scores[1]
    errors = _errors_px(chosen, grid)
    residual = float(np.sqrt(np.mean(errors**2)))
    if not residual < 0.1 * chosen.spacing_px:
        raise InputError("grid-residual", "no model of distortion fits the grid", "Take another picture of it")
    return replace(chosen, residual_px=residual, held_back_px=held_back, worst_px=float(errors.max()))


def straightened(picture: Radiograph, distortion: Distortion) -> Radiograph:
    """Return a picture with its distortion undone; what lies beyond the grid's dots is no longer usable."""
    rows, columns = picture.attenuation.shape
    nodes = [np.arange(0, n + _COARSE_PX, _COARSE_PX, dtype=float) for n in (rows, columns)]
    down, across = np.meshgrid(*nodes, indexing="ij")
    free = replace(distortion, hull=np.array([[0.0, 0.0, -np.inf]]))
    source = free.bent(np.stack([across, down], axis=-1).reshape(-1, 2)).reshape(*down.shape, 2)
    fine = np.mgrid[:rows, :columns] / _COARSE_PX
    taken = np.stack([ndimage.map_coordinates(source[..., k], fine, order=3, mode="nearest") for k in (1, 0)])
    grey = ndimage.map_coordinates(picture.attenuation, taken, order=1, mode="nearest")
    usable = ndimage.map_coordinates(picture.usable.astype(np.float32), taken, order=1, mode="constant") > 0.99
    usable &= distortion.covers(np.moveaxis(taken[::-1], 0, -1))
    how = (
        f"The picture was straightened by a grid of {distortion.dots} dots: {distortion.held_back_px:.2f} px at dots "
        "that were held back."
    )
    return replace(
        picture,
        attenuation=grey.astype(np.float32),
        usable=usable,
        field_circle=None,
        doubts=(*(d for d in picture.doubts if "stays bent" not in d), how),
    )


def _twisted(grid: GridDots, used: npt.NDArray[np.bool_]) -> Distortion:
    """Fit pin-cushion and S about the centre that suits the dots best."""
    middle = grid.points_px.mean(axis=0)
    width = float(np.linalg.norm(grid.points_px - middle, axis=1).max())

    def errors(shift: Array) -> Array:
        model = _fitted(grid, used, "pin-cushion and S", _TWISTED, middle + width * shift, rounds=1)
        return _errors_px(model, grid)[used]

    shift = least_squares(errors, np.zeros(2), bounds=(-0.5, 0.5), loss="soft_l1", f_scale=0.5, diff_step=1e-4).x
    return _fitted(grid, used, "pin-cushion and S", _TWISTED, middle + width * shift)


def _fitted(
    grid: GridDots, used: npt.NDArray[np.bool_], name: str, terms: Terms, center: Array, rounds: int = _ROUNDS
) -> Distortion:
    """Fit the grid's places by these terms, dots that lie off counting less (Cauchy weights)."""
    points = grid.points_px
    reach = float(np.linalg.norm(points - center, axis=1).max())
    basis = _basis(_complex(points - center) / reach, terms)
    places = _complex(grid.places.astype(float))
    weight = np.ones(int(used.sum()))
    solution = np.zeros(len(terms), dtype=complex)
    for _ in range(rounds):
        solution = np.linalg.lstsq(basis[used] * weight[:, None], places[used] * weight, rcond=None)[0]
        apart = np.abs(places[used] - basis[used] @ solution)
        usual = max(1.5 * float(np.median(apart)), 1e-9)
        weight = 1.0 / np.sqrt(1.0 + (apart / (3.0 * usual)) ** 2)
    per_reach = solution[terms.index((1, 0))]
    coefficients = solution * reach / per_reach
    coefficients[terms.index((0, 0))] = 0.0
    hull = ConvexHull(points).equations
    return Distortion(
        name,
        read_only(np.asarray(center, dtype=float)),
        reach,
        terms,
        coefficients,
        np.nan,
        np.nan,
        np.nan,
        len(points),
        float(reach / abs(per_reach)),
        hull,
    )


def _errors_px(model: Distortion, grid: GridDots) -> Array:
    """Return how far each straightened dot lies from its place in the best square grid, in pixels."""
    straight = _complex(model.straight(grid.points_px))
    places = np.column_stack([_complex(grid.places.astype(float)), np.ones(len(straight))])
    fit = np.linalg.lstsq(places, straight, rcond=None)[0]
    return np.asarray(np.abs(straight - places @ fit))


def _complex(points: Array) -> Complex:
    return np.asarray(points[..., 0] + 1j * points[..., 1])


def _basis(z: Complex, terms: Terms) -> Complex:
    return np.stack([z**a * np.conj(z) ** b for a, b in terms], axis=-1)


def _slopes(z: Complex, terms: Terms, coefficients: Complex) -> tuple[Complex, Complex]:
    """Return the derivatives of w by z and by conj(z)."""
    by_z = sum(c * a * z ** max(a - 1, 0) * np.conj(z) ** b for (a, b), c in zip(terms, coefficients, strict=True))
    by_conjugate = sum(
        c * b * z**a * np.conj(z) ** max(b - 1, 0) for (a, b), c in zip(terms, coefficients, strict=True)
    )
    return np.asarray(by_z + 0 * z), np.asarray(by_conjugate + 0 * z)
