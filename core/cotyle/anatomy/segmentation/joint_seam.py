"""The narrow joint: where the surfaces of head and socket lie when less than two millimetres part them.

A scan blurs the space between two dense bones into a shallow dip. The steepest places beside it are not the bones'
edges, and other edges (cysts, the end of sclerotic bone, the back of the socket's plate) are stronger. But the middle
of the dip is the middle of the space, and the density that is missing in it grows with the width of the space. So each
ray from the middle of the head gives both edges at once: the lowest place between two dense flanks, and a width read
from the missing density as a drawn joint of known widths, blurred alike, would show it.

On synthetic scans the middle is right to 0.1 mm down to a space of 0.2 mm. Bone that touches bone over more than the
blur shows no dip; there the seam is what the rays around say, and bears little confidence.

In such a joint a plate of bone may have grown over the fossa (a double floor). The socket's surface is then the plate,
not the floor behind it, and the rays tell this too: it is the first bone that they meet beyond the head.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.segmentation.femoral_head import NECK_COSINE
from cotyle.anatomy.segmentation.joint_dips import RAY_STEP_MM, JointDips
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.surface_fit import Guide, Trust
from cotyle.image.labels import femur, hip_bone
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray, unit
from cotyle.space.directions import even_directions
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

SEAM_SD_MM, GUESSED_SD_MM = 0.2, 0.35
"""One standard deviation of a surface that the seam gives, where its dip was seen and where not (synthetic scans)."""
# A surface was put there by the seam if it ended up so near to it; a dip counts as seen from this belief.
_PUT_MM, _SEEN_BELIEF = 0.6, 0.3
# A wider space shows each bone's edge for itself.
NARROW_MM = 1.5
USUAL_BLUR_MM = 0.75
_RAYS = 4000
_INSIDE_MM, _OUTSIDE_MM = 5.0, 13.0
# So deep a dip is beyond doubt.
_SURE_DIP_HU = 120.0
# A dip belongs to the seam if it lies so near to what its neighbours say.
_NEIGHBOURS, _ASTRAY_MM = 24, 0.8
_LEAST_BELIEF, _LEAST_COMPANY = 0.15, 0.3
# Where no dip is seen the seam grows inwards from its neighbours, ring by ring.
_ROUNDS_OF_FUSED = 8
_DRAWN_FROM_MM, _LEAST_FACING = 7.0, 0.5
# A joint is worn if so large a share of its rays find it narrow; else there is no seam.
_WORN_SHARE = 0.04


@dataclass(frozen=True, eq=False)
class JointSeam:
    """Seam of one hip.

    head: sphere whose centre the rays come from; directions (n, 3) of those that tell it; head_edge_mm,
    socket_edge_mm (n,): distance of both surfaces from the centre; belief (n,): 0 to 1, low where no dip was seen;
    floor_directions (m, 3), floor_mm (m,): where rays meet the first bone beyond a wider space of a worn joint.
    """

    head: Sphere
    directions: Array
    head_edge_mm: Array
    socket_edge_mm: Array
    belief: Array
    floor_directions: Array
    floor_mm: Array

    @property
    def space_mm(self) -> Array:
        """Width of the joint space (n,)."""
        return self.socket_edge_mm - self.head_edge_mm

    def to_socket(self, vertices: Array, normals: Array, with_floor: bool) -> tuple[Array, Array]:
        """Way along each outward normal to the socket's side of the seam, and how sure; 0 where nothing is known."""
        way, sure = self._way(self._tree, self.socket_edge_mm, self.belief, vertices, normals, -1.0)
        if with_floor:
            floor = cKDTree(self.floor_directions), self.floor_mm, np.ones(len(self.floor_mm))
            floor_way, floor_sure = self._way(*floor, vertices, normals, -1.0)
            unknown = sure == 0.0
            way[unknown], sure[unknown] = floor_way[unknown], floor_sure[unknown]
        return way, sure

    def to_head(self, vertices: Array, normals: Array) -> tuple[Array, Array]:
        """The same to the head's side."""
        return self._way(self._tree, self.head_edge_mm, self.belief, vertices, normals, 1.0)

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.directions)

    def _way(
        self, tree: cKDTree, edge_mm: Array, belief: Array, vertices: Array, normals: Array, outward: float
    ) -> tuple[Array, Array]:
        way, sure = np.zeros(len(vertices)), np.zeros(len(vertices))
        offset = vertices - self.head.center_lps_mm
        away = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        facing = outward * np.einsum("ij,ij->i", offset, normals) / away
        near = np.flatnonzero((away < self.head.radius_mm + _OUTSIDE_MM) & (facing > _LEAST_FACING))
        if not len(near) or len(edge_mm) < 4:
            return way, sure
        apart, rays = tree.query(offset[near] / away[near, None], k=4)
        edge = np.average(edge_mm[rays], axis=1, weights=belief[rays] + 1e-3)
        told = (apart[:, 1] < 1.5 * _ray_spacing()) & (np.abs(away[near] - edge) < _DRAWN_FROM_MM)
        near, rays, edge = near[told], rays[told], edge[told]
        way[near] = outward * (edge - away[near]) * facing[near]
        sure[near] = belief[rays].mean(axis=1)
        return way, sure


def find_seam(
    volume: Volume, head: Sphere, neck_lps: npt.ArrayLike, blur: Blur | None = None, trust: Trust | None = None
) -> JointSeam:
    """Return the seam of one hip where its joint is narrow; it has no rays where it is not.

    Parameters
    ----------
    volume:
        CT in HU.
    head:
        Sphere of the femoral head, from :func:`cotyle.anatomy.segmentation.femoral_head.find_head`.
    neck_lps:
        Direction from the head to the neck; no joint lies there.
    blur:
        Blur of the scan, of a usual one if not given.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    directions = even_directions(_RAYS)
    directions = directions[directions @ unit(neck_lps, "direction of the neck") < NECK_COSINE]
    radii = np.arange(head.radius_mm - _INSIDE_MM, head.radius_mm + _OUTSIDE_MM, RAY_STEP_MM)
    profile = sample(volume, head.center_lps_mm + radii[:, None] * directions[:, None, :]).astype(np.float64)
    dips = JointDips.of(profile, radii, head.radius_mm)
    blur_mm = np.full(len(directions), USUAL_BLUR_MM) if blur is None else blur.along_mm(directions)
    middle, space, belief = _trace(dips, directions, blur_mm)
    told = space < NARROW_MM
    if trust is not None:
        belief = belief * trust(head.center_lps_mm + middle[:, None] * directions)
    rows = np.flatnonzero(told & (belief > 0.0))
    if len(rows) < _WORN_SHARE * len(directions):
        # a few rays that find a wide joint narrow are noise
        rows = rows[:0]
        floor = np.full(len(middle), np.nan)
    else:
        floor = np.where(told, np.nan, dips.first_rise(head.radius_mm))
    bare = np.flatnonzero(np.isfinite(floor))
    edges = (middle - 0.5 * space)[rows], (middle + 0.5 * space)[rows]
    return JointSeam(head, directions[rows], *edges, belief[rows], directions[bare], floor[bare])


def _trace(dips: JointDips, directions: Array, blur_mm: Array) -> tuple[Array, Array, Array]:
    """Middle and width of the space (mm) and belief in them along each ray (n,); the width is NaN where none is known.

    Dips that agree with their neighbours are the seam; from these it grows into bone that touches bone.
    """
    around = cKDTree(directions).query(directions, k=_NEIGHBOURS + 1)[1][:, 1:]
    middle, depth, at = dips.deepest()
    expected, _ = _told_by(middle, depth, around)
    middle, depth, at = dips.nearest(expected)
    seen = np.abs(middle - expected) < _ASTRAY_MM
    middle = np.where(seen, middle, np.nan)
    space = np.full(len(middle), np.nan)
    expected, company = _told_by(middle, depth, around)
    seen &= company > _LEAST_COMPANY
    space[seen] = dips.width(np.flatnonzero(seen).astype(np.int32), at[seen], blur_mm[seen])
    fused = np.zeros(len(middle), dtype=bool)
    for _ in range(_ROUNDS_OF_FUSED):
        new = ~seen & ~fused & (company > _LEAST_COMPANY) & dips.dense_throughout(expected)
        if not new.any():
            break
        fused |= new
        middle = np.where(new, expected, middle)
        expected, company = _told_by(middle, depth, around)
    space = np.where(fused, 0.0, space)
    return middle, space, np.where(fused, _LEAST_BELIEF, np.clip(depth / _SURE_DIP_HU, _LEAST_BELIEF, 1.0))


def find_seams(
    volume: Volume,
    heads: Mapping[Side, Sphere],
    necks_lps: Mapping[Side, Array],
    blur: Blur | None = None,
    trust: Trust | None = None,
) -> dict[Side, JointSeam]:
    """Return the seams of the hips whose head was seen; arguments as in :func:`find_seam`, by side."""
    return {side: find_seam(volume, head, necks_lps[side], blur, trust) for side, head in heads.items()}


def socket_guide(seams: Iterable[JointSeam], with_floor: bool) -> Guide:
    """Return a guide that draws the pelvis to the socket's side of the seams, and to the floors beyond a wider space.

    The latter only roughly, as the first bone met: leave them out where a surface is only to be settled.
    """
    return first_told(*(partial(seam.to_socket, with_floor=with_floor) for seam in seams))


def head_guide(seam: JointSeam | None) -> Guide | None:
    """Return a guide that draws a femur to the head's side of its seam, None without one."""
    return None if seam is None else seam.to_head


def first_told(*guides: Guide | None) -> Guide:
    """Return the guide that asks each in turn, the first one that knows an edge deciding."""

    def guide(vertices: Array, normals: Array) -> tuple[Array, Array]:
        way, sure = np.zeros(len(vertices)), np.zeros(len(vertices))
        for each in guides:
            if each is None:
                continue
            own_way, own_sure = each(vertices, normals)
            new = (sure == 0.0) & (own_sure > 0.0)
            way[new], sure[new] = own_way[new], own_sure[new]
        return way, sure

    return guide


def edges_with_seams(
    edges: Mapping[str, EdgeConfidence], surfaces: Mapping[str, TriangleMesh], seams: Mapping[Side, JointSeam]
) -> dict[str, EdgeConfidence]:
    """Return the edges' confidence with that of the seams where these put the surface.

    A dip that is seen is as clear as an edge; where bone lies on bone, what the seam says is a guess.
    """
    told = dict(edges)
    for side, seam in seams.items():
        for name, socket in ((hip_bone(side), True), (femur(side), False)):
            if name not in edges:
                continue
            mesh, own = surfaces[name], edges[name]
            vertices, normals = mesh.vertices_lps_mm, mesh.vertex_normals
            way, sure = (
                seam.to_socket(vertices, normals, with_floor=False) if socket else seam.to_head(vertices, normals)
            )
            put = (sure > 0.0) & (np.abs(way) < _PUT_MM) & np.isin(own.kind, (Edge.CLEAR, Edge.PRIOR))
            seen = put & (sure > _SEEN_BELIEF)
            kind = np.where(seen, Edge.CLEAR, np.where(put, Edge.PRIOR, own.kind))
            sd_mm = np.where(seen, SEAM_SD_MM, np.where(put, GUESSED_SD_MM, own.spread_mm))
            told[name] = EdgeConfidence(kind.astype(np.uint8), sd_mm.astype(np.float16))
    return told


def _told_by(middle: Array, depth: Array, around: IntArray) -> tuple[Array, Array]:
    """What a ray's neighbours (n, k) say of the middle: their weighted median, and the share of them that say one."""
    places, weights = middle[around], np.clip(depth[around] / _SURE_DIP_HU, 0.0, 1.0)
    weights = np.where(np.isfinite(places), weights + 1e-3, 0.0)
    order = np.argsort(places, axis=1)
    places, weights = np.take_along_axis(places, order, axis=1), np.take_along_axis(weights, order, axis=1)
    sums = np.cumsum(weights, axis=1)
    half = np.argmax(sums >= 0.5 * sums[:, -1:], axis=1)
    rows = np.arange(len(places))
    return places[rows, half], (weights > 0.0).mean(axis=1)


def _ray_spacing() -> float:
    """Distance of neighbouring rays on the unit sphere."""
    return float(np.sqrt(4.0 * np.pi / _RAYS))
