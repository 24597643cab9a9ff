"""The fitted shapes let go: first towards the edges in the scan, then to where cortex ends once the blur is known.

What stands in each socket has its say. A pelvis is kept out of heads and artificial cups, and drawn to what was seen of
the socket by other means: bone behind a cup, the seam of a narrow joint, the floor of an empty socket.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from cotyle.anatomy.metal.replaced_hips import guide_of
from cotyle.anatomy.segmentation.empty_socket import empty_socket_guide, near_empty
from cotyle.anatomy.segmentation.femur_fit import FemurFit, follow_femur, settle_femur
from cotyle.anatomy.segmentation.joint_limits import clear_of_heads, clear_of_surface, cleared_by_heads
from cotyle.anatomy.segmentation.joint_seam import JointSeam, find_seams, first_told, head_guide, socket_guide
from cotyle.anatomy.segmentation.joints import Joints
from cotyle.anatomy.segmentation.pelvis_fit import PelvisShape, follow_pelvis
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import Limit, Trust, settle_surface
from cotyle.anatomy.shapes.unfold import unfolded
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class BoneShapes:
    """Pelvis and femora in a scan.

    pelvis_lps_mm (n, 3): vertices in the order of the shape model; pelvis_step_hu (n,): height of the edge that each
    found, 0 where it found none. femora and seams of narrow joints by side; off_pelvis: how far each femur may move.
    """

    pelvis_lps_mm: Array
    pelvis_step_hu: Array
    femora: Mapping[Side, FemurFit]
    off_pelvis: Mapping[Side, Limit]
    seams: Mapping[Side, JointSeam] = field(default_factory=dict)


def follow_bones(
    volume: Volume, model: ShapeModel, shape: PelvisShape, joints: Joints, trust: Trust | None
) -> BoneShapes:
    """Let pelvis and femora follow the edges of bone."""
    seams = find_seams(volume, joints.seen, joints.necks_lps, trust=trust)
    known = first_told(
        guide_of(joints.replaced), socket_guide(seams.values(), with_floor=True), empty_socket_guide(joints.empty)
    )
    start = cleared_by_heads(shape.vertices(model), model, joints.seen)
    off_heads = clear_of_heads(joints.free.values())
    pelvis, edges = follow_pelvis(volume, model, shape, off_heads, trust, known, start)
    pelvis = unfolded(pelvis, model.pelvis_triangles, near_empty(pelvis, joints.empty))
    mesh = TriangleMesh(pelvis, model.pelvis_triangles)
    off_pelvis = {side: clear_of_surface(mesh, joints.free[side]) for side in Side}
    femora = {
        side: follow_femur(
            volume, model, side, joints.femora[side], off_pelvis[side], trust, head_guide(seams.get(side))
        )
        for side in Side
    }
    return BoneShapes(pelvis, np.asarray(edges.step_hu), femora, off_pelvis, seams)


def settle_bones(
    volume: Volume, model: ShapeModel, bones: BoneShapes, joints: Joints, blur: Blur, trust: Trust | None
) -> BoneShapes:
    """Move surfaces that followed a scan to where bone ends, its blur taken back."""
    seams = find_seams(volume, joints.seen, joints.necks_lps, blur, trust)
    known = first_told(guide_of(joints.replaced), socket_guide(seams.values(), with_floor=False))
    off_heads = clear_of_heads(joints.free.values())
    pelvis, edges = settle_surface(volume, bones.pelvis_lps_mm, model.pelvis_triangles, blur, trust, off_heads, known)
    pelvis = unfolded(pelvis, model.pelvis_triangles, near_empty(pelvis, joints.empty))
    femora = {
        side: settle_femur(
            volume, model, bones.femora[side], blur, bones.off_pelvis[side], trust, head_guide(seams.get(side))
        )
        for side in Side
    }
    return BoneShapes(pelvis, edges.step_hu, femora, bones.off_pelvis, seams)
