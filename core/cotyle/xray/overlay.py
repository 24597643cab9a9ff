"""What lies over a picture of a hip: lines and points by name, in (column, row) pixels.

For simulated and real pictures alike, wherever they are shown. Lines are of shape (n, 2), points (2,); what cannot be
seen or isn't known is left out.
"""

from __future__ import annotations

import numpy as np

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.ellipse import project_circle, to_pixels
from cotyle.xray.outlines import axis_line_px, hemisphere_outline
from cotyle.xray.reaming_cues import Sight, axis_at_joint_px

LANDMARKS = ("teardrop", "superolateral_rim", "si_joint_inferior")
_AXIS_MM = 130.0
_FROM_THE_FRONT_DEG = 20.0
"""Beyond this the beam grazes other parts of the bone than the ilio-ischial line."""


def dome_lines(carm: CArm, rim: Circle, count: int = 91) -> dict[str, Array]:
    """Return a cup's or reamer's ``outline``, the ellipse of its ``rim`` and that one's ``long_axis``.

    Empty where it isn't wholly in front of the source.
    """
    try:
        outline = hemisphere_outline(carm, rim, count).silhouette_px
        ellipse = to_pixels(project_circle(carm, rim), carm)
    except InputError:
        return {}
    lines = {"outline": outline, "rim": ellipse.points(count)}
    if np.isfinite(ellipse.major_axis_angle_deg):
        lines["long_axis"] = ellipse.major_ends
    return lines


def reamer_lines(view: Sight, rim: Circle) -> dict[str, Array]:
    """Return :func:`dome_lines` of a reamer, its ``axis``, and ``at_joint``: from the joint's lower end to that."""
    lines = dome_lines(view.carm, rim)
    if not lines:
        return {}
    lines["axis"] = axis_line_px(view.carm, rim, _AXIS_MM)
    at_joint = axis_at_joint_px(view, rim)
    return lines if at_joint is None else lines | {"at_joint": at_joint}


def bony_lines(view: Sight, primary_deg: float = 0.0) -> dict[str, Array]:
    """Return what cues are read against: ``ilioischial``, ``teardrops`` (both) and ``teardrop_to_rim``.

    ``primary_deg``: from where the picture is looked at; the ilio-ischial line is drawn from about the front only.
    """
    points = bony_points(view)
    pairs = {
        "teardrops": ("teardrop_right", "teardrop_left"),
        "teardrop_to_rim": (f"teardrop_{view.side}", f"superolateral_rim_{view.side}"),
    }
    lines = {
        name: np.stack([points[first], points[last]])
        for name, (first, last) in pairs.items()
        if first in points and last in points
    }
    if view.ilioischial_px is None or abs(primary_deg) > _FROM_THE_FRONT_DEG:
        return lines
    return lines | {"ilioischial": view.ilioischial_px}


def px_per_mm(carm: CArm, point_lps_mm: Array) -> float:
    """Return how many columns a millimetre at a point takes, parallel to the detector."""
    return carm.magnification(point_lps_mm) / carm.pixel_pitch_mm[0]


def bony_points(view: Sight) -> dict[str, Array]:
    """Return the landmarks that cues are read against, by name; also those beside the picture."""
    points = {
        name: view.carm.project(as_vector(point, name))
        for name, point in view.landmarks_lps_mm.items()
        if name.rsplit("_", 1)[0] in LANDMARKS
    }
    return {name: point for name, point in points.items() if np.isfinite(point).all()}
