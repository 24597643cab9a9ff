"""A femur and a hip bone of the open shape model, as a scan would give them: nothing beyond where a scan of the pelvis
ends, every other edge clear.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.cup.motion.bone_range import PlacedHip, place
from cotyle.cup.motion.femur import CutFemur, NeckCut, cut_femur
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose
from cotyle.space.fits import fit_sphere
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from tests.cup.cup_solids import ModelHip, model_hip

SEEN_MM, SD_MM = 120.0, 0.12
USUAL_CUT = NeckCut()


@dataclass(frozen=True, eq=False)
class Leg:
    """One hip of the model with its femur."""

    hip: ModelHip
    femur: TriangleMesh
    edges: EdgeConfidence
    head_seeds: np.ndarray

    def cut(self, leg: HipPose = NEUTRAL, cut: NeckCut = USUAL_CUT) -> CutFemur:
        socket = Sphere(self.hip.center, self.hip.diameter / 2)
        return cut_femur(self.femur, self.edges, self.head_seeds, socket, self.hip.frame, self.hip.side, cut, leg)

    def placed(self, frame: Frame | None = None, shift_lps_mm=(0.0, 0.0, 0.0), **stem) -> PlacedHip:
        pelvis = [(self.hip.bone, clear(self.hip.bone))]
        center = self.hip.center + np.asarray(shift_lps_mm)
        return place(self.cut(), pelvis, center, frame or self.hip.frame, **stem)

    def mirrored(self) -> Leg:
        """The leg of the patient's mirror image."""
        flip = np.diag([-1.0, 1.0, 1.0, 1.0])
        return Leg(self.hip.mirrored(), self.femur.transformed(flip), self.edges, self.head_seeds * [-1.0, 1.0, 1.0])


def clear(mesh: TriangleMesh) -> EdgeConfidence:
    count = len(mesh.vertices_lps_mm)
    return EdgeConfidence(np.full(count, Edge.CLEAR), np.full(count, SD_MM))


@cache
def model_leg(side: Side = Side.LEFT, seen_mm: float = SEEN_MM) -> Leg:
    """The mean femur with its head in the middle of the mean socket."""
    model, hip = load_shape_model(), model_hip(side)
    femur = model.femur(np.zeros(1), side)
    head, _ = fit_sphere(femur.vertices_lps_mm[model.head_vertices])
    femur = femur.with_vertices(femur.vertices_lps_mm + hip.center - head.center_lps_mm)
    height = (femur.vertices_lps_mm - hip.center) @ hip.frame.superior
    kind = np.where(height < -seen_mm, Edge.OUTSIDE, Edge.CLEAR)
    edges = EdgeConfidence(kind, np.full(len(kind), SD_MM))
    return Leg(hip, femur, edges, femur.vertices_lps_mm[model.head_vertices])
