"""The bones of a pelvis CT: closed surfaces below the voxel, and a label map made from them.

The shape model finds each bone and the scan then draws it; see ``docs/methods/bones.md``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from cotyle.anatomy.metal.metal_cup import MetalCup
from cotyle.anatomy.metal.metal_parts import MetalPart
from cotyle.anatomy.metal.replaced_hips import cups_with_beds, find_neck_cuts, parts_of_metal
from cotyle.anatomy.metal.resected_femur import Resection
from cotyle.anatomy.segmentation.bone_shapes import BoneShapes, follow_bones, settle_bones
from cotyle.anatomy.segmentation.clear_spread import clear_spread
from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence, judge_edges
from cotyle.anatomy.segmentation.femur_fit import FemurFit
from cotyle.anatomy.segmentation.joint_seam import edges_with_seams
from cotyle.anatomy.segmentation.joints import Joints, find_joints
from cotyle.anatomy.segmentation.pelvis_fit import SMOOTH_MM, PelvisShape, fit_pelvis_shape
from cotyle.anatomy.segmentation.scan_blur import estimate_blur
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, ShapeModel, load_shape_model
from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.labels import LABEL_OF_BONE, femur
from cotyle.image.metal import Metal, find_metal, without_metal
from cotyle.image.pyramid import block_mean
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.clipping import cut_off
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
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
    joints = find_joints(volume, smooth, metal, shape, coarse_model, model)
    progress("following the surfaces")
    followed = follow_bones(volume, model, shape, joints, trust)
    progress("taking back the blur")
    blur = blur_of_bones(volume, TriangleMesh(followed.pelvis_lps_mm, model.pelvis_triangles), followed.femora)
    settled = settle_bones(volume, model, followed, joints, blur, trust)
    surfaces, neck_cuts = _parted(volume, model, settled, joints, trust)
    progress("labelling the voxels")
    pelvis = settled.pelvis_lps_mm
    edges = judge_edges(volume, surfaces, trust, clear_spread=clear_spread(surfaces, blur))
    return Bones(
        label_map(volume, surfaces, metal),
        surfaces,
        Correspondence(model, pelvis, settled.pelvis_step_hu, shape.vertices(model), settled.femora, shape, blur),
        metal,
        "segmented",
        metal_cups=cups_with_beds(joints.replaced, model, pelvis),
        edges=edges_with_seams(edges, surfaces, settled.seams),
        neck_cuts=neck_cuts,
        metal_parts=parts_of_metal(volume, metal, joints.replaced),
    )


def _parted(
    volume: Volume, model: ShapeModel, bones: BoneShapes, joints: Joints, trust: Trust | None
) -> tuple[dict[str, TriangleMesh], dict[Side, Resection]]:
    """Return the surface of each bone, and where the necks of replaced hips were cut."""
    surfaces = {name: model.part(bones.pelvis_lps_mm, code) for code, name in COMPONENT_NAMES.items()}
    surfaces |= {femur(side): TriangleMesh(fit.vertices, fit.triangles) for side, fit in bones.femora.items()}
    cuts = find_neck_cuts(volume, surfaces, joints.replaced, trust)
    surfaces |= {femur(side): cut_off(surfaces[femur(side)], cut.plane) for side, cut in cuts.items()}
    return surfaces, cuts


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
