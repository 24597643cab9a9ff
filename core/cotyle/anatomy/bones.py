"""The bones of a pelvis CT: closed surfaces below the voxel, and a label map made from them.

The shape model finds each bone and the scan then draws it; see ``docs/methods/bones.md``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from cotyle.anatomy.clear_spread import clear_spread
from cotyle.anatomy.cortex_model import Blur
from cotyle.anatomy.edge_confidence import EdgeConfidence, judge_edges
from cotyle.anatomy.empty_socket import empty_socket_guide, find_empty_socket, near_empty
from cotyle.anatomy.femoral_head import find_head, neck_direction
from cotyle.anatomy.femur_fit import FemurFit, fit_femur_shape, follow_femur, settle_femur
from cotyle.anatomy.head_search import find_displaced_head
from cotyle.anatomy.joint_limits import clear_of_heads, clear_of_surface, cleared_by_heads
from cotyle.anatomy.joint_seam import edges_with_seams, find_seams, first_told, head_guide, socket_guide
from cotyle.anatomy.metal_cup import MetalCup
from cotyle.anatomy.metal_parts import MetalPart
from cotyle.anatomy.pelvis_fit import SMOOTH_MM, PelvisShape, fit_pelvis_shape, follow_pelvis
from cotyle.anatomy.replaced_hips import cups_with_beds, find_neck_cuts, find_replaced_hips, guide_of, parts_of_metal
from cotyle.anatomy.resected_femur import Resection, cut_off
from cotyle.anatomy.scan_blur import estimate_blur
from cotyle.anatomy.shape_model import COMPONENT_NAMES, ShapeModel, load_shape_model
from cotyle.anatomy.surface_fit import settle_surface
from cotyle.anatomy.unfold import unfolded
from cotyle.image.labels import LABEL_OF_BONE, femur
from cotyle.image.metal import Metal, find_metal, without_metal
from cotyle.image.pyramid import block_mean
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

FINE_DIVISIONS = 10
COARSE_DIVISIONS = 5

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Correspondence:
    """The model's vertices as they lie in the scan, so that its carried landmarks can be read off.

    pelvis_lps_mm (n, 3): in the order of ``model``; pelvis_step_hu (n,): height of the edge of bone that each
    vertex found, 0 where it found none; pelvis_model_lps_mm (n, 3): the fitted model before it followed the scan.
    femora by side; shape: the model's fit; blur: what the scan does to an edge.
    """

    model: ShapeModel
    pelvis_lps_mm: Array
    pelvis_step_hu: Array
    pelvis_model_lps_mm: Array
    femora: Mapping[Side, FemurFit]
    shape: PelvisShape
    blur: Blur


@dataclass(frozen=True, eq=False)
class Bones:
    """Bones of a scan.

    labels: uint8 on the scan's grid, numbers of ``BONE_LABELS``, interiors filled.
    surfaces: closed meshes in LPS mm by bone name. A femur goes on below the scan as the model guesses it.
    origin: ``segmented`` by us or ``given`` by the user.
    flaws: what was found wrong with given labels and mended or passed over, a sentence each.
    metal_cups: artificial cups by side; neck_cuts: where the necks of replaced hips were cut; metal_parts: what the
    metal is.
    edges: how sure each vertex of the surfaces is, by bone name.
    """

    labels: Volume
    surfaces: Mapping[str, TriangleMesh]
    correspondence: Correspondence
    metal: Metal | None
    origin: str
    flaws: tuple[str, ...] = ()
    metal_cups: Mapping[Side, MetalCup] = field(default_factory=dict)
    edges: Mapping[str, EdgeConfidence] = field(default_factory=dict)
    neck_cuts: Mapping[Side, Resection] = field(default_factory=dict)
    metal_parts: tuple[MetalPart, ...] = ()


def segment_bones(volume: Volume, progress: Progress = lambda _: None) -> Bones:
    """Find both hip bones, the sacrum, both femora and metal in a CT.

    Parameters
    ----------
    volume:
        CT in HU, ``[k, j, i]``, axes at right angles, with a pelvis that lies within about 25 degrees of LPS.
    progress:
        Called with a few words before each step.

    Notes
    -----
    It always returns something: whether it is a pelvis, and a sound result, is for
    :func:`cotyle.anatomy.bone_quality.judge_bones` to say.
    """
    model, coarse_model = load_shape_model(FINE_DIVISIONS), load_shape_model(COARSE_DIVISIONS)
    metal = find_metal(volume)
    trust = metal.belief if metal else None
    quiet = without_metal(volume, metal) if metal else volume
    smooth = block_mean(quiet, SMOOTH_MM)
    progress("finding the pelvis")
    shape = fit_pelvis_shape(quiet, smooth, coarse_model, trust)
    progress("finding the femora")
    sockets = fitted_sockets = {side: _fitted_socket(shape.vertices(coarse_model), coarse_model, side) for side in Side}
    replaced = find_replaced_hips(volume, metal, {side: sphere.center_lps_mm for side, sphere in sockets.items()})
    necks = {side: neck_direction(shape.fit.pose, side) for side in Side}
    seen = {
        side: None
        if side in replaced
        else find_head(volume, sockets[side], necks[side], trust)
        or find_displaced_head(volume, smooth, sockets[side], shape.fit.pose, side, trust)
        for side in Side
    }
    sockets = sockets | {side: hip.ball for side, hip in replaced.items()}
    femur_shapes = {
        side: fit_femur_shape(
            smooth, coarse_model, side, shape.fit, (seen[side] or sockets[side]).center_lps_mm, bool(seen[side]), trust
        )
        for side in Side
    }
    heads = [
        replaced[side].kept_free
        if side in replaced
        else seen[side] or follow_femur(volume, model, side, femur_shapes[side], trust=trust).head
        for side in Side
    ]
    progress("following the surfaces")
    off_heads, beds, seams = clear_of_heads(heads), guide_of(replaced), find_seams(volume, seen, necks, trust=trust)
    medial = {side: shape.fit.pose.rotation @ np.array([-side.lateral_sign, 0.0, 0.0]) for side in Side}
    empty = [
        each
        for side, head in seen.items()
        if head is not None
        for each in find_empty_socket(volume, fitted_sockets[side], head, medial[side])
    ]
    sockets_known = first_told(beds, socket_guide(seams.values(), with_floor=True), empty_socket_guide(empty))
    start = cleared_by_heads(shape.vertices(model), model, {side: head for side, head in seen.items() if head})
    followed, _ = follow_pelvis(volume, model, shape, off_heads, trust, sockets_known, start)
    followed = unfolded(followed, model.pelvis_triangles, near_empty(followed, empty))
    off_pelvis = [clear_of_surface(TriangleMesh(followed, model.pelvis_triangles), head) for head in heads]
    femora = {
        side: follow_femur(volume, model, side, femur_shapes[side], limit, trust, head_guide(seams.get(side)))
        for side, limit in zip(Side, off_pelvis, strict=True)
    }
    progress("taking back the blur")
    blur = blur_of_bones(volume, TriangleMesh(followed, model.pelvis_triangles), femora)
    seams = find_seams(volume, seen, necks, blur, trust)
    sockets_known = first_told(beds, socket_guide(seams.values(), with_floor=False))
    pelvis, edges = settle_surface(volume, followed, model.pelvis_triangles, blur, trust, off_heads, sockets_known)
    pelvis = unfolded(pelvis, model.pelvis_triangles, near_empty(pelvis, empty))
    femora = {
        side: settle_femur(volume, model, femora[side], blur, limit, trust, head_guide(seams.get(side)))
        for side, limit in zip(Side, off_pelvis, strict=True)
    }
    surfaces = {name: model.part(pelvis, code) for code, name in COMPONENT_NAMES.items()}
    surfaces |= {femur(side): TriangleMesh(fit.vertices, fit.triangles) for side, fit in femora.items()}
    necks_cut = find_neck_cuts(volume, surfaces, replaced, trust)
    surfaces |= {femur(side): cut_off(surfaces[femur(side)], cut.plane) for side, cut in necks_cut.items()}
    progress("labelling the voxels")
    labels = label_map(volume, surfaces, metal)
    spread = clear_spread(surfaces, blur)
    found = Correspondence(model, pelvis, edges.step_hu, shape.vertices(model), femora, shape, blur)
    return Bones(
        labels,
        surfaces,
        found,
        metal,
        "segmented",
        metal_cups=cups_with_beds(replaced, model, pelvis),
        edges=edges_with_seams(judge_edges(volume, surfaces, trust, clear_spread=spread), surfaces, seams),
        neck_cuts=necks_cut,
        metal_parts=parts_of_metal(volume, metal, replaced),
    )


def _fitted_socket(pelvis_lps_mm: Array, model: ShapeModel, side: Side) -> Sphere:
    """The sphere of the lunate surface of a pelvis with the model's vertices."""
    return fit_sphere_robust(pelvis_lps_mm[model.lunate_vertices[side]])[0]


def blur_of_bones(volume: Volume, pelvis: TriangleMesh, femora: Mapping[Side, FemurFit]) -> Blur:
    """Return the blur of a scan at the surfaces of its bones."""
    meshes = [pelvis, *(TriangleMesh(fit.vertices, fit.triangles) for fit in femora.values())]
    return estimate_blur(
        volume,
        np.concatenate([mesh.vertices_lps_mm for mesh in meshes]),
        np.concatenate([mesh.vertex_normals for mesh in meshes]),
    )


def label_map(grid: Volume, surfaces: Mapping[str, TriangleMesh], metal: Metal | None = None) -> Volume:
    """Return the label of each voxel of a grid: the bone its centre lies in, or metal, or 0.

    Where two surfaces overlap, the one in which the voxel lies deeper wins.
    """
    labels = np.zeros(grid.voxels.shape, dtype=np.uint8)
    for name, mesh in surfaces.items():
        mask, window = inside_mask(mesh, grid)
        part = labels[window]
        taken = mask & (part > 0)
        part[mask & ~taken] = LABEL_OF_BONE[name]
        if taken.any():
            _share(part, taken, window, grid, surfaces, name)
    if metal is not None:
        low = np.round(grid.to_ijk(metal.mask.to_lps((0, 0, 0)))).astype(int)
        i, j, k = metal.mask.size
        part = labels[low[2] : low[2] + k, low[1] : low[1] + j, low[0] : low[0] + i]
        part[metal.mask.voxels > 0] = LABEL_OF_BONE["metal"]
    return Volume(labels, grid.ijk_to_lps)


def _share(
    part: np.ndarray,
    taken: np.ndarray,
    window: tuple[slice, slice, slice],
    grid: Volume,
    surfaces: Mapping[str, TriangleMesh],
    name: str,
) -> None:
    """Give doubly claimed voxels to the bone in which they lie deeper; changes ``part``."""
    kji = np.argwhere(taken)
    points = grid.to_lps(kji[:, ::-1] + [window[2].start, window[1].start, window[0].start])
    own_depth = MeshQuery(surfaces[name]).signed_distance(points)
    claimed = part[taken]
    for number in np.unique(claimed):
        rows = np.flatnonzero(claimed == number)
        other = next(bone for bone, label in LABEL_OF_BONE.items() if label == number)
        deeper = own_depth[rows] < MeshQuery(surfaces[other]).signed_distance(points[rows])
        claimed[rows[deeper]] = LABEL_OF_BONE[name]
    part[taken] = claimed
