"""Angles and ratios that describe how a socket covers the head, in a named frame of the pelvis.

All are measured on cuts of the bone's surface by planes of the frame, with hip-sided axes (lateral, anterior,
superior), so that a mirrored patient gives the same numbers. The edge of the socket in a cut is the first
bone, coming from outside, within 6 mm of the sphere: see :mod:`cotyle.anatomy.sockets.rim`.

- lateral centre-edge angle: in the coronal plane through the centre, from superior to the lateral edge
  (Wiberg, Acta Chir Scand 1939;83 suppl 58);
- acetabular index of the roof: in the same plane, slope of the line from the inner end of the weight-bearing
  roof to the lateral edge against the transverse axis (Toennis, 1987);
- Sharp angle: slope of the line from the teardrop to the lateral edge against the line between the teardrops,
  seen from in front (Sharp, Acta Radiol 1961;56:125);
- extrusion index: share of the head's width lateral to the lateral edge (Heyman and Herndon, J Bone Joint
  Surg Am 1950;32:767);
- anterior and posterior sector angles: in the plane through both hip centres and the anterior axis, from the
  line between the centres to the anterior and posterior edge (Anda et al., J Comput Assist Tomogr 1986;10:443);
- Crowe group: height v of the inner head-neck junction above the line between the teardrops against a fifth of
  the height P of the pelvis (Crowe, Mani and Ranawat, J Bone Joint Surg Am 1979;61:15). Boundaries: I below 50
  %, II from 50 up to but not at 75 %, III from 75 up to and at 100 %, IV above 100 % of 0.2 P.

Citations are from memory except for the definitions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.sections import clipped_to_radius, horizon, near_part, plane_section, subdivided
from cotyle.anatomy.sockets.rim import RIM_REACH_MM
from cotyle.errors import InputError
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

_FOSSA_STEP_MM = 2.0
_ROOF_GAP_DEG = 5.0
_NECK_STEP_MM = 1.5
# place of an edge on a surface made from a CT of about 1 mm voxels; common practice, no source
EDGE_UNCERTAINTY_MM = 1.0


@dataclass(frozen=True)
class Morphology:
    """Shape of one socket in one frame; None where it cannot be measured. Degrees, one standard deviation
    beside them.
    """

    frame: str
    lateral_center_edge_angle_deg: float | None
    acetabular_index_deg: float | None
    sharp_angle_deg: float | None
    extrusion_index: float | None
    anterior_sector_angle_deg: float | None
    posterior_sector_angle_deg: float | None
    angle_uncertainty_deg: float

    @property
    def horizontal_sector_angle_deg(self) -> float | None:
        """Sum of the anterior and posterior sector angles."""
        if self.anterior_sector_angle_deg is None or self.posterior_sector_angle_deg is None:
            return None
        return self.anterior_sector_angle_deg + self.posterior_sector_angle_deg


@dataclass(frozen=True)
class Crowe:
    """Crowe group with what it rests on: ``subluxation`` is v / (0.2 P), 1 for a whole head's height."""

    group: str
    subluxation: float
    junction_height_mm: float
    pelvic_height_mm: float


@dataclass(frozen=True, eq=False)
class HipView:
    """Hip-sided unit axes in LPS of one frame: lateral, anterior, superior. A mirror triad on the left, so no
    cross products.
    """

    lateral: Array
    anterior: Array
    superior: Array


def hip_view(frame: Frame, side: Side) -> HipView:
    """Return the hip-sided axes of a frame."""
    return HipView(side.lateral_sign * frame.left, frame.anterior, frame.superior)


def measure_morphology(
    hip_bone: TriangleMesh,
    sphere: Sphere,
    frame: Frame,
    side: Side,
    center_uncertainty_mm: float = 0.5,
    head: Sphere | None = None,
    opposite_center_lps_mm: Array | None = None,
    teardrop_lps_mm: Array | None = None,
    opposite_teardrop_lps_mm: Array | None = None,
    lateral_edge_lps_mm: Array | None = None,
) -> Morphology:
    """Measure one socket in one frame.

    Angles are taken about the centre of the socket's sphere; the extrusion index needs ``head``. Without the
    opposite centre the sector angles use the frame's transverse axis, without the opposite teardrop the Sharp
    angle does. A ``lateral_edge_lps_mm`` that the user gave stands in for the edge found.
    """
    view = hip_view(frame, side)
    bone = near_part(hip_bone, sphere.center_lps_mm, sphere.radius_mm + 3 * RIM_REACH_MM)
    coronal = plane_section(bone, sphere.center_lps_mm, view.lateral, view.superior)
    edge = socket_edge(coronal, sphere.radius_mm)
    if lateral_edge_lps_mm is not None:
        offset = lateral_edge_lps_mm - sphere.center_lps_mm
        edge = np.array([offset @ view.lateral, offset @ view.superior])
    edge_angle = None if edge is None else float(np.rad2deg(np.arctan2(edge[0], edge[1])))
    sharp = extrusion = None
    if edge is not None:
        rim_lps_mm = sphere.center_lps_mm + edge[0] * view.lateral + edge[1] * view.superior
        if teardrop_lps_mm is not None:
            sharp = _sharp(rim_lps_mm, teardrop_lps_mm, opposite_teardrop_lps_mm, view)
        if head is not None:
            outer = (head.center_lps_mm - rim_lps_mm) @ view.lateral + head.radius_mm
            extrusion = float(np.clip(outer / head.diameter_mm, 0.0, 1.0))
    inward = -view.lateral if opposite_center_lps_mm is None else unit(opposite_center_lps_mm - sphere.center_lps_mm)
    forward = unit(view.anterior - (view.anterior @ inward) * inward)
    place_mm = float(np.hypot(EDGE_UNCERTAINTY_MM, center_uncertainty_mm))
    return Morphology(
        frame=frame.name,
        lateral_center_edge_angle_deg=edge_angle,
        acetabular_index_deg=None if edge is None else _roof_slope(coronal, sphere.radius_mm, edge),
        sharp_angle_deg=sharp,
        extrusion_index=extrusion,
        anterior_sector_angle_deg=_sector(bone, sphere, inward, forward),
        posterior_sector_angle_deg=_sector(bone, sphere, inward, -forward),
        angle_uncertainty_deg=float(np.rad2deg(place_mm / sphere.radius_mm)),
    )


def socket_edge(section: Array, radius_mm: float) -> Array | None:
    """Return the edge (2,) in a cut whose first axis points out of the hollow and whose second is the half
    that is asked.
    """
    found = horizon(section, radius_mm + RIM_REACH_MM, radius_mm - RIM_REACH_MM)
    return None if found is None else found[1]


def roof_inner_end(section: Array, radius_mm: float) -> Array | None:
    """Return the inner end (2,) of the roof in a coronal cut (lateral, superior): where the fossa begins.

    From straight above the centre medially, the place where the surface gets 2 mm deeper than the sphere, or where it
    ends. None if the roof does not reach above the centre, or no fossa begins before 80 deg.
    """
    points = clipped_to_radius(subdivided(section, 8), radius_mm + _FOSSA_STEP_MM)
    points = points[np.linalg.norm(points, axis=1) > radius_mm - RIM_REACH_MM]
    medial_deg = np.rad2deg(np.arctan2(-points[:, 0], points[:, 1]))
    order = np.argsort(medial_deg)
    order = order[(medial_deg[order] > -_ROOF_GAP_DEG) & (medial_deg[order] < 80.0)]
    last = None
    for row in order:
        if last is not None and medial_deg[row] - medial_deg[last] > _ROOF_GAP_DEG:
            break
        last = int(row)
    if last is None or medial_deg[last] < 0.0 or medial_deg[last] > 80.0 - _ROOF_GAP_DEG:
        return None
    # put back onto the sphere: the roof ends here, the step down into the fossa is no part of its slope
    return np.asarray(points[last] * (radius_mm / np.linalg.norm(points[last])))


def crowe_group(subluxation: float) -> str:
    """Return I to IV for v / (0.2 P); the boundary rule is at the module's top."""
    if not np.isfinite(subluxation):
        raise InputError("crowe", "the Crowe group needs a finite displacement")
    if subluxation < 0.5:
        return "I"
    if subluxation < 0.75:
        return "II"
    return "III" if subluxation <= 1.0 else "IV"


def measure_crowe(
    hip_bone: TriangleMesh,
    femur: TriangleMesh,
    head: Sphere,
    frame: Frame,
    side: Side,
    teardrop_lps_mm: Array,
    opposite_teardrop_lps_mm: Array,
) -> Crowe | None:
    """Measure the Crowe group of one hip; None if the head-neck junction cannot be seen."""
    junction = head_neck_junction(femur, head, frame, side)
    if junction is None:
        return None
    view = hip_view(frame, side)
    _, up = _line_and_normal(teardrop_lps_mm, opposite_teardrop_lps_mm, view)
    height_mm = float((junction - teardrop_lps_mm) @ up)
    levels = hip_bone.vertices_lps_mm @ frame.superior
    pelvic_height_mm = float(levels.max() - levels.min())
    subluxation = height_mm / (0.2 * pelvic_height_mm)
    return Crowe(crowe_group(subluxation), subluxation, height_mm, pelvic_height_mm)


def head_neck_junction(femur: TriangleMesh, head: Sphere, frame: Frame, side: Side) -> Array | None:
    """Return the inner head-neck junction (3,) LPS mm: in the coronal plane through the head's centre, going
    from medial downwards, where the bone first stands more than 1.5 mm outside the head's sphere. None if it
    never does.
    """
    view = hip_view(frame, side)
    bone = near_part(femur, head.center_lps_mm, 2.5 * head.radius_mm)
    section = plane_section(bone, head.center_lps_mm, -view.lateral, -view.superior)
    reach_mm = head.radius_mm + _NECK_STEP_MM
    points = clipped_to_radius(section, reach_mm)
    angle_deg = np.rad2deg(np.arctan2(points[:, 1], points[:, 0]))
    # where the cut leaves the circle of that radius
    leaves = np.abs(np.linalg.norm(points, axis=1) - reach_mm) < 1e-6
    candidates = leaves & (angle_deg > 0.0) & (angle_deg < 150.0)
    if not candidates.any():
        return None
    angle = np.deg2rad(angle_deg[candidates].min())
    return head.center_lps_mm - head.radius_mm * (np.cos(angle) * view.lateral + np.sin(angle) * view.superior)


def _roof_slope(section: Array, radius_mm: float, edge: Array) -> float | None:
    inner = roof_inner_end(section, radius_mm)
    if inner is None:
        return None
    # positive when the roof rises laterally
    return float(np.rad2deg(np.arctan2(edge[1] - inner[1], edge[0] - inner[0])))


def _sector(bone: TriangleMesh, sphere: Sphere, inward: Array, half: Array) -> float | None:
    section = plane_section(bone, sphere.center_lps_mm, -inward, half)
    found = horizon(section, sphere.radius_mm + RIM_REACH_MM, sphere.radius_mm - RIM_REACH_MM)
    return None if found is None else 180.0 - found[0]


def _line_and_normal(teardrop: Array, opposite: Array | None, view: HipView) -> tuple[Array, Array]:
    """Lateral direction along the line between the teardrops as seen from in front, and the direction up from
    it.
    """
    if opposite is None:
        return view.lateral, view.superior
    across = teardrop - opposite
    across = unit(across - (across @ view.anterior) * view.anterior)
    up = unit(view.superior - (view.superior @ across) * across)
    return across, up


def _sharp(rim: Array, teardrop: Array, opposite: Array | None, view: HipView) -> float:
    across, up = _line_and_normal(teardrop, opposite, view)
    return float(np.rad2deg(np.arctan2((rim - teardrop) @ up, (rim - teardrop) @ across)))
