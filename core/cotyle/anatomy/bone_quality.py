"""Are these bones to be believed? Signals that tell a sound segmentation from a doubtful one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.metal_findings import metal_findings
from cotyle.anatomy.scan_quality import scan_findings
from cotyle.anatomy.segmentation.bones import Bones
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS, femur, hip_bone
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side

# An edge lower than this is hardly one: the step from soft tissue to poor trabecular bone; HU.
WEAK_EDGE_HU = 150.0
# A scan is taken for a pelvis unless two of these three speak against it.
LEAST_CORRELATION = 0.20
MOST_MODE_RMS_SD = 1.7
LEAST_FEMUR_SCORE_HU = 60.0
# Share of a hip bone's vertices, within the scan, that may lack an edge.
MOST_WEAK_SHARE = 0.10
REFUSED_WEAK_SHARE = 0.40
# A joint narrower than this is bone on bone for a scan of about 1 mm.
NARROW_JOINT_MM = 1.5
MOST_HEAD_MISFIT_MM = 0.6
MOST_VOLUME_ASYMMETRY = 0.12
# A region counts as shown if this share of its vertices lies inside the scan.
SHOWN_SHARE = 0.98
# As far outside the scan may a point of the pelvic plane lie and still be placed by the other half or the fitted shape.
FARTHEST_FILLED_MM = 45.0


@dataclass(frozen=True)
class JointQuality:
    """One hip joint: 10th percentile of the gap (mm), median distance of the head from its sphere (mm)."""

    gap_mm: float
    head_misfit_mm: float


@dataclass(frozen=True)
class BoneQuality:
    """Signals about a segmentation.

    weak_edge_share, shown_share: by bone, among its vertices (those inside the scan, for the first).
    volume_ml: by bone, of the label map. left_right_ratio: of the hip bones' volumes.
    movement_mm: median way from the fitted model to the surface. mode_rms_sd, correlation, femur_score_hu: see
    :mod:`cotyle.anatomy.segmentation.pelvis_fit`.
    """

    joints: Mapping[Side, JointQuality]
    weak_edge_share: Mapping[str, float]
    shown_share: Mapping[str, float]
    volume_ml: Mapping[str, float]
    left_right_ratio: float
    movement_mm: float
    mode_rms_sd: float
    correlation: float
    femur_score_hu: Mapping[Side, float]
    findings: tuple[Finding, ...]


def judge_bones(bones: Bones) -> BoneQuality:
    """Measure the signals and put what is doubtful into words."""
    found = bones.correspondence
    grid = bones.labels
    volumes = {
        name: np.count_nonzero(grid.voxels == number) * grid.voxel_volume_mm3 / 1000.0
        for number, name in BONE_LABELS.items()
    }
    left, right = volumes[hip_bone(Side.LEFT)], volumes[hip_bone(Side.RIGHT)]
    joints = {side: _judge_joint(bones, side) for side in Side if side not in bones.metal_cups}
    weak, shown = _edges_by_bone(bones, grid)
    movement = np.linalg.norm(found.pelvis_lps_mm - found.pelvis_model_lps_mm, axis=1)
    weights = found.shape.fit.weights_sd
    quality = BoneQuality(
        joints=joints,
        weak_edge_share=weak,
        shown_share=shown,
        volume_ml=volumes,
        left_right_ratio=left / right if right > 0 else float("inf"),
        movement_mm=float(np.median(movement)),
        mode_rms_sd=float(np.sqrt(np.mean(weights**2))),
        correlation=found.shape.coarse.correlation,
        femur_score_hu={side: found.femora[side].score_hu for side in Side},
        findings=(),
    )
    return BoneQuality(**{**quality.__dict__, "findings": tuple(_findings(quality, bones))})


def require_pelvis(quality: BoneQuality) -> None:
    """Refuse what is not a pelvis.

    Raises
    ------
    InputError
        ``no-pelvis``.
    """
    against = [
        quality.correlation < LEAST_CORRELATION,
        quality.mode_rms_sd > MOST_MODE_RMS_SD,
        max(quality.femur_score_hu.values()) < LEAST_FEMUR_SCORE_HU,
    ]
    weak = max(quality.weak_edge_share[hip_bone(side)] for side in Side)
    if sum(against) >= 2 or weak > REFUSED_WEAK_SHARE:
        raise InputError(
            "no-pelvis",
            f"no pelvis was found in this scan (match {quality.correlation:.2f}, {weak:.0%} of the hip bone's "
            "surface without an edge)",
            "Check that it is a CT of the pelvis, or give a label map with --labels",
        )


def require_shown(bones: Bones, side: Side) -> None:
    """Refuse a scan that does not show what a plan stands on.

    Raises
    ------
    InputError
        ``side-not-in-scan`` if the socket of the side is cut off, ``field-of-view`` if the scan ends more than 45 mm
        before a point of the anterior pelvic plane: too far to fill it in.
    """
    found, grid = bones.correspondence, bones.labels
    model, pelvis = found.model, found.pelvis_lps_mm
    socket = np.concatenate([model.rim_vertices[side], model.lunate_vertices[side], model.inner_wall_vertices[side]])
    share = float(grid.contains(pelvis[socket]).mean())
    if share < SHOWN_SHARE:
        raise InputError(
            "side-not-in-scan",
            f"the scan shows {share:.0%} of the {side} socket",
            "Check the side, or use a scan that shows the whole hip",
        )
    marks = model.landmarks(pelvis)
    needed = [f"{name}_{which}" for name in ("asis", "pubic_tubercle") for which in Side]
    missing = [name for name in needed if _way_outside_mm(grid, marks[name]) > FARTHEST_FILLED_MM]
    if missing:
        raise InputError(
            "field-of-view",
            f"the scan ends before {', '.join(name.replace('_', ' ') for name in missing)}",
            "Use a scan that shows both anterior superior iliac spines and the pubic tubercles",
        )


def _way_outside_mm(grid: Volume, point_lps_mm: Array) -> float:
    """Distance of a point from the box of a scan; 0 inside."""
    ijk = grid.to_ijk(point_lps_mm)
    nearest = grid.to_lps(np.clip(ijk, 0.0, np.array(grid.size) - 1.0))
    return float(np.linalg.norm(nearest - point_lps_mm))


def _judge_joint(bones: Bones, side: Side) -> JointQuality:
    fit = bones.correspondence.femora[side]
    head = fit.vertices[bones.correspondence.model.head_vertices]
    gaps = MeshQuery(bones.surfaces[hip_bone(side)]).signed_distance(head)
    facing = gaps < np.percentile(gaps, 60.0)
    return JointQuality(float(np.percentile(gaps[facing], 10.0)), fit.head_misfit_mm)


def _edges_by_bone(bones: Bones, grid: Volume) -> tuple[dict[str, float], dict[str, float]]:
    found = bones.correspondence
    parts: dict[str, tuple[Array, Array]] = {}
    for code, name in ((1, hip_bone(Side.LEFT)), (2, hip_bone(Side.RIGHT)), (3, "sacrum")):
        of_bone = found.model.pelvis_component == code
        parts[name] = found.pelvis_lps_mm[of_bone], found.pelvis_step_hu[of_bone]
    for side in Side:
        parts[femur(side)] = found.femora[side].vertices, found.femora[side].edges.step_hu
    weak, shown = {}, {}
    for name, (points, steps) in parts.items():
        inside = grid.contains(points)
        shown[name] = float(inside.mean())
        weak[name] = float((steps[inside] < WEAK_EDGE_HU).mean()) if inside.any() else 1.0
    return weak, shown


def _findings(quality: BoneQuality, bones: Bones) -> list[Finding]:
    found = [Finding("label-flaw", text, concerns=(Concern.BONES,)) for text in bones.flaws]
    found += scan_findings(bones.correspondence.blur)
    for side, joint in quality.joints.items():
        if joint.gap_mm < NARROW_JOINT_MM:
            found.append(
                Finding(
                    f"joint-narrow-{side}",
                    f"the {side} joint space is {max(joint.gap_mm, 0.0):.1f} mm at its narrowest tenth: check the edge "
                    "between head and socket",
                    concerns=(Concern.BONES, Concern.CENTER, Concern.DIAMETER),
                    side=side,
                )
            )
        if joint.head_misfit_mm > MOST_HEAD_MISFIT_MM:
            found.append(
                Finding(
                    f"head-not-round-{side}",
                    f"the {side} femoral head lies {joint.head_misfit_mm:.1f} mm (median) off a sphere: it is worn, "
                    "or not well separated",
                    concerns=(Concern.BONES, Concern.CENTER, Concern.DIAMETER),
                    side=side,
                )
            )
    for side in Side:
        share = quality.weak_edge_share[hip_bone(side)]
        if share > MOST_WEAK_SHARE:
            found.append(
                Finding(
                    f"weak-edges-{side}",
                    f"{share:.0%} of the {side} hip bone's surface shows no clear edge of bone: its shape is partly a "
                    "guess",
                    concerns=(Concern.BONES, Concern.WALL, Concern.COVERAGE),
                    side=side,
                )
            )
    if bones.correspondence.shape.unusual:
        found.append(
            Finding(
                "shape-unusual",
                "the pelvis has a shape that the shape model hardly knows: check bones and landmarks",
                concerns=(Concern.BONES, Concern.FRAME),
            )
        )
    if abs(np.log(max(quality.left_right_ratio, 1e-6))) > np.log1p(MOST_VOLUME_ASYMMETRY):
        found.append(
            Finding(
                "hip-bones-uneven",
                f"left and right hip bones differ in volume (ratio {quality.left_right_ratio:.2f}): check both",
                concerns=(Concern.BONES,),
            )
        )
    found += metal_findings(bones)
    return found
