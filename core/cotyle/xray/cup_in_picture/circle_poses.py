"""The circles in space that one ellipse can be the picture of: always two, whatever the picture.

An ellipse and the source span a cone. Planes cut it in a circle of a given radius in two directions, mirrored about
the cone's axis (the circular sections of an elliptic cone; for cameras: Safaee-Rad R et al., Three-dimensional
location estimation of circular features, IEEE Trans Robot Autom 1992;8:624-40). Written here with the dual cone, whose
smallest axis is 0 for a rim seen edge-on, so that this is no special case: both circles are then one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, unit
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.ellipse import Ellipse, project_circle

_FACE_ON = 1e-9


def circles_behind(
    carm: CArm, ellipse_mm: Ellipse, radius_mm: float, mouth_lps: npt.ArrayLike
) -> tuple[Circle, Circle]:
    """Return both circles of this radius whose picture is the ellipse.

    Parameters
    ----------
    carm:
        The pose of the picture.
    ellipse_mm:
        In mm on the detector from the centre of pixel (0, 0), as :func:`~cotyle.xray.ellipse.project_circle` returns.
    radius_mm:
        Radius of the rim.
    mouth_lps:
        A direction, LPS, that the mouth looks to roughly. Only its part across the ray counts: it is what the dome
        in the picture shows (mouth on this or that side of the rim). Which of the two circles it is stays open.

    Returns
    -------
    tuple
        First the one whose mouth turns towards the source, then the one whose mouth turns away.

    Raises
    ------
    InputError
        ``ellipse-none`` for an ellipse without size, ``mouth-unknown`` if the mouth's direction lies along the ray.
    """
    if not (np.isfinite(ellipse_mm.semi_major) and ellipse_mm.semi_major > 0):
        raise InputError("ellipse-none", "an ellipse without size has no circle behind it")
    axes = np.stack([carm.column_direction_lps, carm.row_direction_lps, carm.normal_lps])
    (negative, small, large), vectors = np.linalg.eigh(_dual_cone(carm, ellipse_mm))
    small = max(small, 0.0)
    forward, across = vectors[:, 0] @ axes, vectors[:, 1] @ axes
    if float(forward @ carm.normal_lps) < 0:
        forward = -forward
    lean = np.sqrt(max((1.0 - small / large) / (1.0 - small / negative), 0.0))
    slope = np.sqrt(max(small * (1.0 / large - 1.0 / negative) / (1.0 - small / negative), 0.0))
    height = radius_mm * np.sqrt(small * -negative) / large
    shift = radius_mm * np.sqrt(max((1.0 - small / large) * (1.0 - negative / large), 0.0))
    circles = []
    for sign in (-1.0, 1.0):
        normal = sign * lean * across + slope * forward
        in_plane = slope * across - sign * lean * forward
        center = carm.source_lps_mm + height * normal - sign * shift * in_plane
        circles.append(Circle(center, unit(_turned(normal, center, carm, mouth_lps)), radius_mm))
    return _towards_source_first(carm, circles)


def twin_of(carm: CArm, circle: Circle) -> Circle:
    """Return the other circle with the same picture and the same side of the mouth; itself if seen edge-on."""
    ellipse = project_circle(carm, circle)
    pair = circles_behind(carm, ellipse, circle.radius_mm, circle.normal_lps)
    return max(pair, key=lambda other: float(np.linalg.norm(other.normal_lps - circle.normal_lps)))


def faces_source(carm: CArm, circle: Circle) -> float:
    """Return the cosine between the mouth's direction and the way to the source: positive if it looks there."""
    return float(unit(carm.source_lps_mm - circle.center_lps_mm) @ circle.normal_lps)


def _dual_cone(carm: CArm, ellipse_mm: Ellipse) -> Array:
    """Return the dual of the cone of rays through the ellipse, in the detector's (column, row, normal) axes.

    Its tangent planes N satisfy N' (diag(S, 0) - v v') N = 0, S the shape of the ellipse and v the way from the
    source to its centre.
    """
    foot = carm.principal_point_px * np.asarray(carm.pixel_pitch_mm)
    toward = np.append(ellipse_mm.center - foot, carm.source_detector_mm)
    angle = ellipse_mm.major_axis_angle_deg
    major = np.array([1.0, 0.0]) if np.isnan(angle) else ellipse_mm.major_direction
    minor = np.array([-major[1], major[0]])
    cone = -np.outer(toward, toward)
    cone[:2, :2] += ellipse_mm.semi_major**2 * np.outer(major, major)
    cone[:2, :2] += ellipse_mm.semi_minor**2 * np.outer(minor, minor)
    return cone


def _turned(normal: Array, center: Array, carm: CArm, mouth_lps: npt.ArrayLike) -> Array:
    """Return the normal or its opposite, by which of them agrees with the mouth's direction across the ray."""
    ray = unit(center - carm.source_lps_mm)
    mouth = unit(mouth_lps, "direction of the mouth")
    mouth = mouth - (mouth @ ray) * ray
    if np.linalg.norm(mouth) < _FACE_ON:
        raise InputError("mouth-unknown", "the direction of the mouth lies along the ray, so it tells no side")
    return normal if float(normal @ mouth) >= 0 else -normal


def _towards_source_first(carm: CArm, circles: list[Circle]) -> tuple[Circle, Circle]:
    first, second = sorted(circles, key=lambda circle: -faces_source(carm, circle))
    return first, second
