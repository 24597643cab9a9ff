"""The femur that stays after the head is taken out, as the CT shows it, ready to be moved about the new hip centre.

Hip-sided components (x lateral, y anterior, z superior) of the supine frame, in mm from the middle of the native head.
**Neutral is how the leg lay**, unless its pose on the table is given and taken off: a scan of the pelvis doesn't show
the knee, so nothing here tells how far the leg was turned.

The cut: through the neck at an angle to the shaft, above the lesser trochanter; and from there straight up beside the
greater trochanter, which stays, in the plane through the shaft's axis that faces the head. 45 degrees and 15 mm above
the tip of the lesser trochanter (a finger's breadth above its upper edge) are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket_sphere import head_sphere
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, rotation_of
from cotyle.cup.motion.surface_points import surface_points
from cotyle.errors import InputError
from cotyle.space.arrays import Array, any_perpendicular, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import clipped, from_polydata, to_polydata
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

CUT_ANGLE_DEG = 45.0
CUT_ABOVE_MM = 15.0
_SHAFT_BELOW_HEAD_MM = 70.0
_SLICE_MM, _FEWEST_SLICES, _FEWEST_POINTS, _MOST_GAP_DEG = 4.0, 4, 30, 40.0
_BELOW_TIP_MM = 15.0
_POINTS_MM = 1.5
# Where the tip of the lesser trochanter is looked for: below the middle of the head, turned back from the way to it. It
# stands out by so much from what lies within so many mm above it, and below it.
_TIP_MM, _TIP_TURN_DEG = (35.0, 80.0), (35.0, 110.0)
_LEAST_BUMP_MM, _ASIDE_MM, _LEVEL_MM = 2.0, 15.0, 2.5


@dataclass(frozen=True)
class NeckCut:
    """How the neck is cut: angle to the shaft and height above the tip of the lesser trochanter.

    ``from_head_mm``: distance of the plane from the middle of the head, in place of the height.
    """

    angle_deg: float = CUT_ANGLE_DEG
    above_lesser_trochanter_mm: float = CUT_ABOVE_MM
    from_head_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Shaft:
    """The shaft as far as the scan shows it: a point on its axis, the unit way down, and where that was seen.

    Shape (3,) each, in mm from the middle of the head; ``seen_to_mm``: how far below the head the femur is seen.
    """

    point_mm: Array
    down: Array
    seen_to_mm: float

    @property
    def to_head(self) -> Array:
        """Unit direction at right angles to the shaft towards the middle of the head."""
        return unit(-self.point_mm + (self.point_mm @ self.down) * self.down)

    @property
    def head_offset_mm(self) -> float:
        """Distance of the middle of the head from the shaft's axis."""
        return float(np.linalg.norm(self.point_mm - (self.point_mm @ self.down) * self.down))


@dataclass(frozen=True, eq=False)
class CutFemur:
    """What stays of a femur, in neutral, in mm from the middle of its native head.

    surface: open where it was cut and where the scan ends. spread_mm: one standard deviation of each vertex of it.
    tip_mm: lesser trochanter, None where it doesn't stand out. leg: pose on the table that was taken off.
    """

    side: Side
    head: Sphere
    surface: TriangleMesh
    spread_mm: Array
    shaft: Shaft
    tip_mm: Array | None
    cut_point_mm: Array
    cut_normal: Array
    leg: HipPose
    unclear_share: float

    @property
    def neck_forward_deg(self) -> float:
        """How far the native neck looks forward in neutral: the way from the shaft's axis to the head, from above."""
        lateral, anterior, _ = -self.shaft.to_head
        return float(np.degrees(np.arctan2(-anterior, lateral)))

    @property
    def shaft_flexion_deg(self) -> float:
        """How far the shaft leans forward in neutral."""
        return float(np.degrees(np.arctan2(self.shaft.down[1], -self.shaft.down[2])))

    @property
    def shaft_abduction_deg(self) -> float:
        """How far the shaft leans outwards in neutral."""
        return float(np.degrees(np.arctan2(self.shaft.down[0], -self.shaft.down[2])))


def cut_femur(
    femur: TriangleMesh,
    edges: EdgeConfidence,
    head_seeds: Array,
    socket: Sphere,
    frame: Frame,
    side: Side,
    cut: NeckCut = NeckCut(),
    leg: HipPose = NEUTRAL,
) -> CutFemur:
    """Cut head and neck off a femur.

    Parameters
    ----------
    femur, edges:
        Closed surface in LPS mm and how sure its vertices are; what lies outside the scan is left out.
    head_seeds:
        Points (n, 3) on the head, as carried by the shape model; may be none.
    socket:
        Where to look for the head if there are none.
    frame:
        The supine frame.
    leg:
        How the leg lay against neutral; taken off.

    Raises
    ------
    InputError
        ``femoral-head-missing``, ``femur-short`` or ``neck-cut``.
    """
    head = head_sphere(femur, head_seeds, Sphere(socket.center_lps_mm, socket.radius_mm - 3.0))
    if head is None:
        raise InputError("femoral-head-missing", f"the {side} femur has no round head to tell where it turned")
    axes = np.stack([frame.left * side.lateral_sign, frame.anterior, frame.superior])
    turn = rotation_of(leg).T @ axes
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, -turn @ head.center_lps_mm
    whole = femur.transformed(matrix)
    seen = edges.kind != Edge.OUTSIDE
    shown = whole.part(seen[whole.triangles].all(axis=1))
    points = surface_points(shown, _POINTS_MM)
    shaft = find_shaft(points, side)
    tip = find_lesser_trochanter(points, shaft)
    if tip is not None:
        shaft = find_shaft(points, side, float(tip @ shaft.down) + _BELOW_TIP_MM)
    point, normal = _cut_plane(points, shaft, tip, cut, side)
    surface = _kept(shown, shaft, point, normal)
    nearest = whole.vertex_tree.query(surface.vertices_lps_mm)[1]
    return CutFemur(
        side=side,
        head=head,
        surface=surface,
        spread_mm=edges.spread_mm[nearest],
        shaft=shaft,
        tip_mm=tip,
        cut_point_mm=point,
        cut_normal=normal,
        leg=leg,
        unclear_share=float(edges.doubtful[nearest].mean()),
    )


def find_shaft(points_mm: Array, side: Side, from_mm: float = _SHAFT_BELOW_HEAD_MM) -> Shaft:
    """Return the axis of the shaft by the middles of its slices; raises ``femur-short``.

    points_mm: dense points (n, 3) of what the scan shows, from the middle of the head. from_mm: how far below that the
    shaft begins. Slices that the scan's end cuts aren't whole rings and tell no middle.
    """
    down, point = np.array([0.0, 0.0, -1.0]), np.zeros(3)
    for _ in range(4):
        depth = points_mm @ down
        end = float(depth.max())
        slices = [points_mm[(depth >= low) & (depth < low + _SLICE_MM)] for low in np.arange(from_mm, end, _SLICE_MM)]
        middles = np.array([_middle(ring, down) for ring in slices if _goes_round(ring, down)])
        if len(middles) < _FEWEST_SLICES:
            raise InputError(
                "femur-short",
                f"the scan shows the {side} femur to {end:.0f} mm below the middle of its head: not enough shaft",
            )
        point = middles.mean(axis=0)
        way = np.linalg.svd(middles - point)[2][0]
        down = way * np.sign(way @ down)
    return Shaft(point, unit(down), end)


def _goes_round(ring: Array, down: Array) -> bool:
    """Whether points lie all round the shaft, without a gap of more than 40 deg."""
    if len(ring) < _FEWEST_POINTS:
        return False
    across = any_perpendicular(down)
    offset = ring - ring.mean(axis=0)
    turns = np.sort(np.degrees(np.arctan2(offset @ np.cross(down, across), offset @ across)))
    return bool(np.diff(turns, append=turns[0] + 360.0).max() < _MOST_GAP_DEG)


def _middle(ring: Array, down: Array) -> Array:
    """Middle of a ring of points across the shaft: that of its extents along eight directions."""
    across = any_perpendicular(down)
    turns = np.pi * np.arange(8) / 8
    ways = np.cos(turns)[:, None] * across + np.sin(turns)[:, None] * np.cross(down, across)
    reach = ring @ ways.T
    flat = np.linalg.lstsq(ways, 0.5 * (reach.max(axis=0) + reach.min(axis=0)), rcond=None)[0]
    return np.asarray(flat + (ring @ down).mean() * down)


def find_lesser_trochanter(points_mm: Array, shaft: Shaft) -> Array | None:
    """Return the tip (3,): what stands out farthest from the shaft behind and inwards, with less above and below it."""
    inward = shaft.to_head
    back = np.cross(inward, shaft.down)
    back = back if back[1] < 0 else -back
    offset = points_mm - shaft.point_mm
    offset = offset - (offset @ shaft.down)[:, None] * shaft.down
    radius, depth = np.linalg.norm(offset, axis=1), points_mm @ shaft.down
    turn = np.degrees(np.arctan2(offset @ back, offset @ inward))
    behind = (turn > _TIP_TURN_DEG[0]) & (turn < _TIP_TURN_DEG[1])
    levels = np.arange(_TIP_MM[0] - _ASIDE_MM, _TIP_MM[1] + _ASIDE_MM + 1.0, _LEVEL_MM)
    at_level = [behind & (np.abs(depth - level) < _LEVEL_MM) for level in levels]
    profile = np.array([radius[chosen].max(initial=0.0) for chosen in at_level])
    aside = round(_ASIDE_MM / _LEVEL_MM)
    inner = np.arange(aside, len(levels) - aside)
    beside = np.array([max(profile[at - aside : at].min(), profile[at + 1 : at + 1 + aside].min()) for at in inner])
    at = int(np.argmax(profile[inner] - beside))
    if profile[inner[at]] - beside[at] < _LEAST_BUMP_MM:
        return None
    chosen = at_level[inner[at]]
    return np.asarray(points_mm[chosen][np.argmax(radius[chosen])])


def _cut_plane(points: Array, shaft: Shaft, tip: Array | None, cut: NeckCut, side: Side) -> tuple[Array, Array]:
    """A point of the plane through the neck and its normal towards the head."""
    angle = np.radians(cut.angle_deg)
    normal = -np.sin(angle) * shaft.down + np.cos(angle) * shaft.to_head
    if cut.from_head_mm is not None:
        return -cut.from_head_mm * normal, normal
    if tip is None:
        raise InputError(
            "neck-cut",
            f"the lesser trochanter of the {side} femur doesn't stand out: the height of the neck's cut isn't known",
            "Give the cut's distance from the middle of the head",
        )
    level = float(tip @ shaft.down) - cut.above_lesser_trochanter_mm
    ring = points[np.abs(points @ shaft.down - level) < 4.0]
    inmost = ring[np.argmax(ring @ shaft.to_head)]
    return np.asarray(inmost + (level - inmost @ shaft.down) * shaft.down), normal


def _kept(surface: TriangleMesh, shaft: Shaft, point: Array, normal: Array) -> TriangleMesh:
    below_cut = (point - surface.vertices_lps_mm) @ normal
    beside_shaft = (shaft.point_mm - surface.vertices_lps_mm) @ shaft.to_head
    return from_polydata(clipped(to_polydata(surface), np.maximum(below_cut, beside_shaft)))
