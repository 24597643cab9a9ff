"""What a surgeon reads off the screen, as numbers: the cues of one cup or reamer in one view.

Distances are millimetres in the plane through the cup's centre parallel to the detector: measured on the detector and
divided by the magnification there. Directions refer to the line through both teardrops where both are known, else to
the horizontal of the picture. The picture is taken with columns to the patient's left and rows downwards, as the
constructors of :mod:`cotyle.xray.carm` make it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, as_vector
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.ellipse import Ellipse, apparent_inclination_deg, project_circle
from cotyle.xray.ilioischial import ilioischial_line
from cotyle.xray.outlines import hemisphere_outline
from cotyle.xray.screen import Screen

PARALLEL_WITHIN_DEG = 3.0
TANGENT_WITHIN_MM = 1.0


class LineRelation(StrEnum):
    """How the rim lies to the line from the teardrop to the superolateral rim."""

    PARALLEL = "parallel"
    """The rim's long axis and the line differ by no more than ``PARALLEL_WITHIN_DEG``."""
    TANGENT = "tangent"
    """The line touches the rim's ellipse within ``TANGENT_WITHIN_MM``."""
    CROSSING = "crossing"
    """The line cuts the rim's ellipse."""
    APART = "apart"
    """The line passes the rim's ellipse."""


@dataclass(frozen=True)
class RimLineCue:
    """The rim against the line from the teardrop's lower end to the native superolateral rim.

    Parameters
    ----------
    angle_deg:
        Rim's long axis minus that line; positive when the rim is the steeper one (more inclined).
    relation:
        In words.
    lower_end_mm, upper_end_mm:
        Distance of the two ends of the rim's long axis from the line, positive on the side of the mouth (outside
        the bone).
    """

    angle_deg: float
    relation: LineRelation
    lower_end_mm: float
    upper_end_mm: float


@dataclass(frozen=True)
class Cues:
    """What the picture shows; None where a landmark or bone that it needs was not given (see ``missing``).

    Parameters
    ----------
    rim_axis_ratio:
        Minor to major axis of the rim's ellipse.
    suggested_anteversion_deg:
        asin of it, without a sign and without correction for the diverging beam: what the eye takes it for.
    apparent_inclination_deg:
        Rim's long axis to the horizontal of the picture.
    inclination_to_teardrops_deg:
        The same to the line through both teardrops.
    axis_above_si_joint_mm:
        Height at which the reaming axis, drawn inwards, crosses the line that runs up and down through the lower
        end of the sacroiliac joint of the same side; negative below that end.
    rim_line:
        See :class:`RimLineCue`.
    medial_edge_to_teardrop_mm:
        From the teardrop to the most medial point of cup or reamer; positive when that lies lateral to it.
    teardrop_to_ilioischial_mm:
        From the teardrop to the ilio-ischial line beside it (at its lower end's height or the next at which the line
        is seen, up to 15 mm higher); positive when the line lies lateral to it. For views from the front.
    symphysis_to_sacrum_mm:
        From the sacral midline to the symphysis; positive when the symphysis lies to the patient's left.
    missing:
        Names of what was not given.
    """

    rim_axis_ratio: float
    suggested_anteversion_deg: float
    apparent_inclination_deg: float
    inclination_to_teardrops_deg: float | None
    axis_above_si_joint_mm: float | None
    rim_line: RimLineCue | None
    medial_edge_to_teardrop_mm: float | None
    teardrop_to_ilioischial_mm: float | None
    symphysis_to_sacrum_mm: float | None
    missing: tuple[str, ...]


def cues(
    carm: CArm,
    rim: Circle,
    side: Side,
    landmarks_lps_mm: Mapping[str, npt.ArrayLike],
    hip_bone: TriangleMesh | None = None,
) -> Cues:
    """Return the cues of a hemisphere, given by its rim with the normal out of the mouth, in a view.

    Parameters
    ----------
    carm:
        The view.
    rim:
        Rim of the cup or reamer.
    side:
        Side of the hip.
    landmarks_lps_mm:
        LPS points by name; used are ``teardrop_left/right``, ``superolateral_rim_<side>``,
        ``si_joint_inferior_<side>``, ``symphysis`` and ``sacrum_midline``.
    hip_bone:
        Surface of the hip bone of that side, for the ilio-ischial line.

    Raises
    ------
    InputError
        ``behind-source`` if the cup is not in front of the source.
    """
    screen = Screen(carm, rim, landmarks_lps_mm)
    ellipse = project_circle(carm, rim).scaled(screen.mm_per_detector_mm)
    teardrop = screen.point(f"teardrop_{side}")
    symphysis, sacrum = screen.point("symphysis"), screen.point("sacrum_midline")
    lateral = side.lateral_sign * screen.left
    medial_edge = ilioischial = None
    if teardrop is not None:
        silhouette = hemisphere_outline(carm, rim).silhouette_px * screen.mm_per_px
        medial_edge = float(((silhouette - teardrop) @ lateral).min())
        if hip_bone is None:
            screen.missing.append(f"{side}_hip_bone")
        else:
            teardrop_lps = as_vector(landmarks_lps_mm[f"teardrop_{side}"])
            line = ilioischial_line(carm, screen, hip_bone, teardrop_lps, lateral)
            ilioischial = None if line is None else line.lateral_to_teardrop_mm
    return Cues(
        rim_axis_ratio=ellipse.axis_ratio,
        suggested_anteversion_deg=ellipse.apparent_anteversion_deg,
        apparent_inclination_deg=apparent_inclination_deg(ellipse, side),
        inclination_to_teardrops_deg=(apparent_inclination_deg(ellipse, side, screen.left) if screen.leveled else None),
        axis_above_si_joint_mm=_axis_above_si_joint_mm(screen, rim, side),
        rim_line=_rim_line(screen, ellipse, side, teardrop),
        medial_edge_to_teardrop_mm=medial_edge,
        teardrop_to_ilioischial_mm=ilioischial,
        symphysis_to_sacrum_mm=(
            float((symphysis - sacrum) @ screen.left) if symphysis is not None and sacrum is not None else None
        ),
        missing=tuple(screen.missing),
    )


def _axis_above_si_joint_mm(screen: Screen, rim: Circle, side: Side) -> float | None:
    joint = screen.point(f"si_joint_inferior_{side}")
    if joint is None:
        return None
    mouth, inner = screen.of(np.stack([rim.center_lps_mm, rim.center_lps_mm - rim.radius_mm * rim.normal_lps]))
    inward = inner - mouth
    across, way = float(inward @ screen.left), float((joint - mouth) @ screen.left)
    # an axis that runs straight up or away from the joint never crosses its line
    if abs(across) < 1e-9 or way / across <= 0:
        return None
    crossing = mouth + inward * (way / across)
    return float((crossing - joint) @ screen.up)


def _rim_line(screen: Screen, ellipse: Ellipse, side: Side, teardrop: Array | None) -> RimLineCue | None:
    outer = screen.point(f"superolateral_rim_{side}")
    if teardrop is None or outer is None or np.isnan(ellipse.major_axis_angle_deg):
        return None
    # as (lateral, up) in the picture, which serves both sides
    axes = np.stack([side.lateral_sign * screen.left, screen.up])
    line = axes @ (outer - teardrop)
    line = line / np.linalg.norm(line)
    to_mouth = np.array([line[1], -line[0]])
    ends = (ellipse.major_ends - teardrop) @ axes.T
    along = ends[1] - ends[0]
    if along @ line < 0:
        ends, along = ends[::-1], -along
    angle = float(np.rad2deg(np.arctan2(-(along @ to_mouth), along @ line)))
    offsets = ends @ to_mouth
    return RimLineCue(angle, _relation(ellipse, axes, to_mouth, angle, offsets), *map(float, offsets))


def _relation(ellipse: Ellipse, axes: Array, to_mouth: Array, angle_deg: float, offsets: Array) -> LineRelation:
    if abs(angle_deg) <= PARALLEL_WITHIN_DEG:
        return LineRelation.PARALLEL
    major = axes @ ellipse.major_direction
    minor = np.array([major[1], -major[0]])
    reach = float(np.hypot(ellipse.semi_major * (major @ to_mouth), ellipse.semi_minor * (minor @ to_mouth)))
    gap = abs(float(offsets.mean())) - reach
    if abs(gap) <= TANGENT_WITHIN_MM:
        return LineRelation.TANGENT
    return LineRelation.CROSSING if gap < 0 else LineRelation.APART
