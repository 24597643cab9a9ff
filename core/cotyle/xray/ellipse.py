"""Ellipses on the detector: the exact projection of circles and spheres, and the cup angles read off them.

A circle and a sphere are both the points ``c + M^(1/2) u`` of unit vectors u, with M = r^2 (I - n n') for a circle
and r^2 I for a sphere. The planes that touch them fill the dual quadric [[M - c c', -c], [-c', -1]], and a
projection matrix P takes it to the dual conic P Q P' of the picture (Hartley and Zisserman, Multiple View Geometry,
2nd ed. 2004, result 8.9). Nothing is inverted, so a rim seen edge-on is no special case but a flat ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.space.shapes import Circle, Sphere
from cotyle.space.side import Side
from cotyle.xray.carm import CArm

_EDGE_ON_RATIO = 1e-6
_ROUND_RATIO = 1.0 - 1e-9


@dataclass(frozen=True, eq=False)
class Ellipse:
    """An ellipse in a picture, in one unit throughout: mm on the detector from the centre of pixel (0, 0), or px.

    Parameters
    ----------
    center:
        (along columns, along rows), shape (2,). Not the picture of the circle's centre.
    semi_major, semi_minor:
        Half axes; a semi-minor of 0 is a line segment.
    major_axis_angle_deg:
        From the direction of growing columns (the patient's left) turning upwards in the picture, 0 to 180;
        NaN for a circle.
    """

    center: Array
    semi_major: float
    semi_minor: float
    major_axis_angle_deg: float

    @property
    def axis_ratio(self) -> float:
        """Minor to major axis, 0 to 1."""
        return self.semi_minor / self.semi_major

    @property
    def edge_on(self) -> bool:
        """Whether it is a line: the source lies in the plane of the circle, and its two sides can't be told apart."""
        return self.axis_ratio < _EDGE_ON_RATIO

    @property
    def apparent_anteversion_deg(self) -> float:
        """asin(minor / major), without a sign: ante- and retroversion give the same ellipse.

        Exact for a parallel beam (Lewinnek GE et al., J Bone Joint Surg Am 1978;60:217-20); with a diverging one it
        is what the picture shows, not the cup's angle.
        """
        return float(np.rad2deg(np.arcsin(min(self.axis_ratio, 1.0))))

    @property
    def major_direction(self) -> Array:
        """Unit vector (along columns, along rows) of the major axis, pointing up in the picture or to its right."""
        angle = np.deg2rad(self.major_axis_angle_deg)
        return read_only(np.array([np.cos(angle), -np.sin(angle)]))

    @property
    def major_ends(self) -> Array:
        """The two ends of the major axis, shape (2, 2)."""
        reach = self.semi_major * self.major_direction
        return read_only(np.stack([self.center - reach, self.center + reach]))

    def scaled(self, factor: float) -> Ellipse:
        """Return it in another unit, such as px from mm by one over the pixel pitch."""
        return Ellipse(
            read_only(self.center * factor),
            self.semi_major * factor,
            self.semi_minor * factor,
            self.major_axis_angle_deg,
        )

    def points(self, count: int = 181) -> Array:
        """Return points once round, first and last the same, shape (count, 2)."""
        turn = np.linspace(0.0, 2.0 * np.pi, count)
        major = np.array([1.0, 0.0]) if np.isnan(self.major_axis_angle_deg) else self.major_direction
        minor = np.array([major[1], -major[0]])
        around = np.outer(np.cos(turn), self.semi_major * major) + np.outer(np.sin(turn), self.semi_minor * minor)
        return np.asarray(self.center + around)


def project_circle(carm: CArm, circle: Circle) -> Ellipse:
    """Return the exact picture of a circle in mm on the detector.

    Raises
    ------
    InputError
        ``behind-source`` if it is not wholly in front of the source.
    """
    across = np.eye(3) - np.outer(circle.normal_lps, circle.normal_lps)
    return _project(carm, circle.center_lps_mm, circle.radius_mm**2 * across)


def project_sphere(carm: CArm, sphere: Sphere) -> Ellipse:
    """Return the exact outline of a sphere in mm on the detector; errors as in :func:`project_circle`."""
    return _project(carm, sphere.center_lps_mm, sphere.radius_mm**2 * np.eye(3))


def to_pixels(ellipse_mm: Ellipse, carm: CArm) -> Ellipse:
    """Return an ellipse of detector mm in pixels.

    Raises
    ------
    InputError
        ``pixels-not-square``: its axes in pixels would not be those of the true shape.
    """
    column_mm, row_mm = carm.pixel_pitch_mm
    if abs(column_mm - row_mm) > 1e-6 * column_mm:
        raise InputError("pixels-not-square", f"pixels of {column_mm} x {row_mm} mm distort an ellipse")
    return ellipse_mm.scaled(1.0 / column_mm)


def apparent_inclination_deg(ellipse: Ellipse, side: Side, leftward: npt.ArrayLike = (1.0, 0.0)) -> float:
    """Return the angle of the major axis to a reference direction, opening to the outside of the body.

    Parameters
    ----------
    ellipse:
        Rim of the cup, in a picture with square pixels.
    side:
        Side of the hip.
    leftward:
        Direction (along columns, along rows) in the picture to the patient's left: the image's horizontal by
        default, or the line from the right to the left teardrop.

    Returns
    -------
    float
        0 to 180 degrees: 0 for a rim level with the reference, below 90 when its outer end is the upper one; NaN
        for a rim seen as a circle.
    """
    reference = np.asarray(leftward, dtype=float)
    if reference.shape != (2,) or not np.isfinite(reference).all() or not reference.any():
        raise InputError("reference-line", "the reference line of the inclination has no direction")
    reference_deg = np.rad2deg(np.arctan2(-reference[1], reference[0]))
    turned = (ellipse.major_axis_angle_deg - reference_deg) * side.lateral_sign
    return float(turned % 180.0)


def ellipse_from_shape(center: npt.ArrayLike, shape: npt.ArrayLike) -> Ellipse:
    """Return the ellipse ``center + S^(1/2) u`` of unit vectors u from its 2x2 shape matrix S."""
    values, vectors = np.linalg.eigh(np.asarray(shape, dtype=float))
    semi_minor, semi_major = np.sqrt(np.maximum(values, 0.0))
    column, row = vectors[:, 1]
    angle = float(np.rad2deg(np.arctan2(-row, column)) % 180.0)
    ratio = semi_minor / semi_major
    return Ellipse(
        read_only(np.array(center, dtype=float)),
        float(semi_major),
        float(semi_minor) if ratio >= _EDGE_ON_RATIO else 0.0,
        angle if ratio < _ROUND_RATIO else float("nan"),
    )


def _project(carm: CArm, center_lps_mm: Array, shape: Array) -> Ellipse:
    # in mm on the detector, whatever the pixels are, and seen from the projected centre, so that no digit is lost
    matrix = np.diag([*carm.pixel_pitch_mm, 1.0]) @ carm.projection_matrix
    middle = matrix @ np.append(center_lps_mm, 1.0)
    if middle[2] <= 0:
        raise InputError("behind-source", "the shape lies behind the X-ray source")
    foot = middle[:2] / middle[2]
    linear = matrix[:, :3].copy()
    linear[:2] -= np.outer(foot, linear[2])
    dual = linear @ shape @ linear.T
    weight = middle[2] ** 2 - dual[2, 2]
    if weight <= 0:
        raise InputError("behind-source", "the shape is not wholly in front of the X-ray source")
    offset = -dual[:2, 2] / weight
    return ellipse_from_shape(foot + offset, dual[:2, :2] / weight + np.outer(offset, offset))
