"""Least-squares and robust fits of spheres, planes and circles to points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_points
from cotyle.space.shapes import Circle, Plane, Sphere


def fit_plane(points_lps_mm: npt.ArrayLike) -> Plane:
    """Return the total-least-squares plane of at least three points that are not on one line.

    The sign of the normal is arbitrary: the caller turns it.
    """
    points = _enough(points_lps_mm, 3, "plane")
    center = points.mean(axis=0)
    _, spread, directions = np.linalg.svd(points - center, full_matrices=False)
    if spread[1] <= 1e-9 * max(spread[0], 1e-300):
        raise InputError("fit-degenerate", "the points for a plane lie on one line")
    return Plane(center, directions[2])


def fit_sphere(points_lps_mm: npt.ArrayLike) -> tuple[Sphere, float]:
    """Return the sphere of least squared radial distance and the root-mean-square distance in mm.

    Starts from the algebraic (linear) solution and refines the geometric distance.
    """
    points = _enough(points_lps_mm, 4, "sphere")
    return _refine_sphere(points, _algebraic_sphere(points), loss="linear", scale_mm=1.0)


def fit_sphere_robust(
    points_lps_mm: npt.ArrayLike, scale_mm: float = 0.7, start: Sphere | None = None
) -> tuple[Sphere, float]:
    """Return a sphere by the Geman-McClure-like Cauchy loss, and the median absolute distance in mm.

    Points much farther than ``scale_mm`` from the sphere hardly count.
    """
    points = _enough(points_lps_mm, 4, "sphere")
    sphere, _ = _refine_sphere(points, start or _algebraic_sphere(points), loss="cauchy", scale_mm=scale_mm)
    residual = np.linalg.norm(points - sphere.center_lps_mm, axis=1) - sphere.radius_mm
    return sphere, float(np.median(np.abs(residual)))


def fit_circle(points_lps_mm: npt.ArrayLike) -> Circle:
    """Return the circle of least squares in the least-squares plane of the points."""
    points = _enough(points_lps_mm, 3, "circle")
    plane = fit_plane(points)
    _, _, directions = np.linalg.svd(points - plane.point_lps_mm, full_matrices=False)
    flat = (points - plane.point_lps_mm) @ directions[:2].T
    matrix = np.column_stack([2.0 * flat, np.ones(len(flat))])
    solution, *_ = np.linalg.lstsq(matrix, (flat**2).sum(axis=1), rcond=None)

    def residual(parameters: Array) -> Array:
        return np.linalg.norm(flat - parameters[:2], axis=1) - parameters[2]

    start = np.array([solution[0], solution[1], np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 1e-12))])
    best = least_squares(residual, start).x
    return Circle(plane.point_lps_mm + best[:2] @ directions[:2], plane.normal_lps, float(abs(best[2])))


def _algebraic_sphere(points: Array) -> Sphere:
    middle = points.mean(axis=0)
    local = points - middle
    matrix = np.column_stack([2.0 * local, np.ones(len(local))])
    solution, _, rank, _ = np.linalg.lstsq(matrix, (local**2).sum(axis=1), rcond=None)
    squared = solution[3] + solution[:3] @ solution[:3]
    if rank < 4 or squared <= 0:
        raise InputError("fit-degenerate", "the points for a sphere lie in one plane")
    return Sphere(middle + solution[:3], float(np.sqrt(squared)))


def _refine_sphere(points: Array, start: Sphere, loss: str, scale_mm: float) -> tuple[Sphere, float]:
    origin = start.center_lps_mm

    def residual(parameters: Array) -> Array:
        return np.linalg.norm(points - origin - parameters[:3], axis=1) - parameters[3]

    def jacobian(parameters: Array) -> Array:
        offset = origin + parameters[:3] - points
        distance = np.maximum(np.linalg.norm(offset, axis=1, keepdims=True), 1e-12)
        return np.hstack([offset / distance, -np.ones((len(points), 1))])

    best = least_squares(
        residual, np.array([0.0, 0.0, 0.0, start.radius_mm]), jac=jacobian, loss=loss, f_scale=scale_mm
    ).x
    rms = float(np.sqrt(np.mean(residual(best) ** 2)))
    return Sphere(origin + best[:3], float(abs(best[3]))), rms


def _enough(points_lps_mm: npt.ArrayLike, least: int, what: str) -> Array:
    points = as_points(points_lps_mm)
    if len(points) < least:
        raise InputError("fit-too-few", f"a {what} needs at least {least} points, got {len(points)}")
    return points
