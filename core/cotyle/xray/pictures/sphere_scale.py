"""The scale of a picture from a sphere of known size in it: a prosthetic head, a hemispherical cup, a marker ball.

A sphere of radius r whose centre lies at depth Z from the source (along the detector's normal) has an elliptic outline
on a detector at distance D. Its short half axis is ``D r / sqrt(Z^2 - r^2)`` wherever the sphere lies, off the axis
too: the cone of half-angle asin(r/R) about a ray of length R = Z / cos t, cut by the detector. Only the long half axis
grows off the axis, and points to where the central ray meets the detector.

So the size in the picture tells the scale at the sphere's depth well, and the pitch on the detector only as well as
D / Z is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_circle
from cotyle.space.shapes import Sphere
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.ellipse import Ellipse, project_sphere, to_pixels

LEAST_AXIS_RATIO = 0.9
"""A flatter outline is no sphere's: it would lie 25 degrees off the axis; what is flatter is a rim."""

_OFF_AXIS_SHARE = 0.003
_MOST_RESIDUAL_SHARE = 0.03
_MOST_FIT_SHARE = 0.05


@dataclass(frozen=True)
class SphereScale:
    """A scale and what it rests on; deviations are one standard deviation.

    Parameters
    ----------
    pixel_pitch_mm, pixel_pitch_sd_mm:
        On the detector.
    at_sphere_mm, at_sphere_sd_mm:
        Millimetres a pixel in the plane through the sphere's centre: hardly depends on the distances.
    residual_px:
        Root mean square distance of the clicked points from the outline; None for a given ellipse.
    rests_on:
        Sentences.
    """

    pixel_pitch_mm: float
    pixel_pitch_sd_mm: float
    at_sphere_mm: float
    at_sphere_sd_mm: float
    residual_px: float | None
    rests_on: tuple[str, ...]


def scale_from_sphere(
    outline_px: Ellipse | npt.ArrayLike,
    diameter_mm: float,
    source_detector_mm: float,
    source_sphere_mm: float,
    principal_point_px: npt.ArrayLike | None = None,
    outline_sd_px: float = 1.0,
    diameter_sd_mm: float = 0.0,
    distances_sd_mm: tuple[float, float] = (10.0, 30.0),
) -> SphereScale:
    """Return the pitch of square pixels on the detector from the outline of one sphere.

    Parameters
    ----------
    outline_px:
        The outline as an ellipse in pixels, or at least three points (column, row) on it; a part of the turn will do.
    diameter_mm:
        Of the sphere.
    source_detector_mm, source_sphere_mm:
        Along the detector's normal, from the source to the detector and to the sphere's centre; assumed if not known.
    principal_point_px:
        Where the central ray meets the detector, for points alone: without it they are fitted by a circle.
    outline_sd_px:
        Deviation of one clicked point, or of the ellipse's short half axis.
    diameter_sd_mm, distances_sd_mm:
        Deviations of the diameter and of the two distances. 10 and 30 mm: a distance from a data sheet, and a hip
        whose height above the table nobody measured (our choice).

    Raises
    ------
    InputError
        ``sphere-points``, ``sphere-outline`` (no sphere's), ``sphere-arc`` (too short a part of it),
        ``sphere-diameter``, ``sphere-distance``.
    """
    radius = diameter_mm / 2.0
    if not (np.isfinite(diameter_mm) and diameter_mm > 0):
        raise InputError("sphere-diameter", f"a sphere of {diameter_mm} mm has no size", "Give its diameter in mm")
    if not radius < source_sphere_mm < source_detector_mm:
        raise InputError(
            "sphere-distance",
            f"a sphere {source_sphere_mm} mm from the source is not in front of a detector at {source_detector_mm} mm",
            "Give both distances from the source, along the beam",
        )
    on_detector_mm = source_detector_mm * radius / np.sqrt(source_sphere_mm**2 - radius**2)
    if isinstance(outline_px, Ellipse):
        _require_sphere(outline_px.axis_ratio)
        half_px, half_sd, residual = outline_px.semi_minor, outline_sd_px, None
        source = "its outline"
    else:
        points = _points(outline_px)
        beam = (source_detector_mm, source_sphere_mm, radius)
        half_px, half_sd, residual = _short_half_axis(points, beam, principal_point_px, outline_sd_px)
        source = f"{len(points)} points on its outline"
    in_picture = np.hypot(half_sd / half_px, diameter_sd_mm / diameter_mm)
    magnifying = np.hypot(distances_sd_mm[0] / source_detector_mm, distances_sd_mm[1] / source_sphere_mm)
    pitch = on_detector_mm / half_px
    at_sphere = pitch * source_sphere_mm / source_detector_mm
    return SphereScale(
        pixel_pitch_mm=float(pitch),
        pixel_pitch_sd_mm=float(pitch * np.hypot(in_picture, magnifying)),
        at_sphere_mm=float(at_sphere),
        at_sphere_sd_mm=float(at_sphere * in_picture),
        residual_px=residual,
        rests_on=(
            f"The scale rests on a sphere of {diameter_mm:g} mm and {source}: {100 * in_picture:.1f} % at its depth.",
            f"On the detector it also rests on {source_sphere_mm:.0f} of {source_detector_mm:.0f} mm from the source "
            f"(+-{distances_sd_mm[1]:.0f} and {distances_sd_mm[0]:.0f} mm): {100 * magnifying:.1f} %.",
        ),
    )


def _points(outline_px: npt.ArrayLike) -> Array:
    points = np.asarray(outline_px, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
        raise InputError(
            "sphere-points", "the outline of a sphere needs three points at least", "Click more, well apart"
        )
    return points


def _require_sphere(axis_ratio: float) -> None:
    if axis_ratio < LEAST_AXIS_RATIO:
        raise InputError(
            "sphere-outline",
            f"an ellipse {axis_ratio:.2f} as wide as long is no outline of a sphere",
            "Outline the head or the dome, not the rim",
        )


def _short_half_axis(
    points: Array, beam: tuple[float, float, float], principal_point_px: npt.ArrayLike | None, point_sd_px: float
) -> tuple[float, float, float]:
    """Return short half axis, its deviation and the residual, in pixels."""
    flat = np.column_stack([points, np.zeros(len(points))])
    try:
        circle = fit_circle(flat)
    except InputError as error:
        raise _short_arc() from error
    start = np.array([*circle.center_lps_mm[:2], circle.radius_mm])

    def distances(parameters: Array) -> Array:
        if principal_point_px is None:
            return np.linalg.norm(points - parameters[:2], axis=1) - parameters[2]
        return _from_outline(points, parameters, beam, np.asarray(principal_point_px, dtype=float))

    best = least_squares(distances, start, x_scale=np.maximum(np.abs(start), 1.0), diff_step=1e-7)
    half = float(best.x[2])
    spare = len(points) - 3
    residual = float(np.sqrt(np.mean(best.fun**2)))
    spread = max(point_sd_px, float(np.sqrt((best.fun**2).sum() / spare)) if spare > 0 else 0.0)
    information = best.jac.T @ best.jac
    if half <= 0 or np.linalg.cond(information) > 1e12:
        raise _short_arc()
    deviation = spread * float(np.sqrt(np.linalg.inv(information)[2, 2]))
    if principal_point_px is None:
        deviation = float(np.hypot(deviation, _OFF_AXIS_SHARE * half))
    if residual > _MOST_RESIDUAL_SHARE * half:
        raise InputError(
            "sphere-outline",
            f"the points lie {residual:.1f} px from any outline of a sphere",
            "Click on the outline of the head or the dome",
        )
    if deviation > _MOST_FIT_SHARE * half:
        raise _short_arc()
    return half, deviation, residual


def _from_outline(points: Array, parameters: Array, beam: tuple[float, float, float], principal: Array) -> Array:
    """Return distances of points from the exact outline of a sphere seen at a pixel with a short half axis."""
    detector, depth, radius = beam
    half = max(float(parameters[2]), 1e-3)
    pitch = detector * radius / np.sqrt(depth**2 - radius**2) / half
    origin = np.array([-principal[0] * pitch, -principal[1] * pitch, detector])
    carm = CArm(np.zeros(3), origin, (1, 0, 0), (0, 1, 0), (pitch, pitch), (1, 1), Tube.UNDER_TABLE)  # type: ignore[arg-type]
    center = carm.pixel_to_lps(parameters[:2]) * depth / detector
    ellipse = to_pixels(project_sphere(carm, Sphere(center, radius)), carm)
    offset = points - ellipse.center
    major = np.array([1.0, 0.0]) if np.isnan(ellipse.major_axis_angle_deg) else ellipse.major_direction
    along, across = offset @ major, offset @ np.array([-major[1], major[0]])
    far = np.hypot(along, across)
    # outlines of spheres are nearly round: the way along the ray from the centre is the way to the curve
    reach = far / np.maximum(np.hypot(along / ellipse.semi_major, across / ellipse.semi_minor), 1e-12)
    return np.asarray(far - reach)


def _short_arc() -> InputError:
    return InputError(
        "sphere-arc", "the points cover too little of the outline to tell its size", "Click points farther round"
    )
