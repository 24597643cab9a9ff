"""A small made-up case for tests of the scene: boxes for bones, the landmarks of a pelvis, a little scan."""

import numpy as np
from cotyle.anatomy.landmarks import NO_SEEDS, Landmark, Origin
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.case.anatomy_file import Anatomy, ScanSource, Skeleton
from cotyle.case.plan_file import CupChoice, OrientationChoice, PlanFile
from cotyle.case.store import StoredCase
from cotyle.cup.orientation import Definition
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

from tests.space.solids import box

# a pelvis of round numbers, LPS mm; common practice, no source
POINTS = {
    "asis_left": (120.0, -60.0, 80.0),
    "asis_right": (-116.0, -66.0, 84.0),
    "pubic_tubercle_left": (22.0, -58.0, -12.0),
    "pubic_tubercle_right": (-20.0, -60.0, -10.0),
    "hip_center_left": (88.0, -10.0, 0.0),
    "hip_center_right": (-86.0, -12.0, 2.0),
    "symphysis": (1.0, -50.0, -20.0),
}
BOXES = {
    "left_hip_bone": ((60, -40, -40), (110, 40, 90)),
    "right_hip_bone": ((-110, -44, -40), (-60, 40, 94)),
    "sacrum": ((-40, 40, 20), (40, 80, 120)),
    "left_femur": ((80, -30, -140), (110, 10, -20)),
    "right_femur": ((-110, -30, -140), (-80, 10, -20)),
}
BALL_LPS_MM = np.array([88.0, -30.0, 40.0])
"""A bright ball in the scan: on the patient's left, in front, high."""


def mirrored_name(name):
    swap = {"left": "right", "right": "left"}
    return "_".join(swap.get(part, part) for part in name.split("_"))


def small_case(folder, side=Side.RIGHT, motion=None):
    """Return a case, moved by a 4x4 LPS motion; a mirroring one swaps the names of the sides."""
    motion = np.eye(4) if motion is None else np.asarray(motion)
    mirrored = np.linalg.det(motion[:3, :3]) < 0
    named = mirrored_name if mirrored else str

    def moved(point):
        return motion[:3, :3] @ np.asarray(point, dtype=float) + motion[:3, 3]

    landmarks = {
        named(name): Landmark(named(name), moved(point), Origin.DETECTED, 0.5) for name, point in POINTS.items()
    }
    surfaces = {named(name): solid(*ends).transformed(motion) for name, ends in BOXES.items()}
    scan = little_scan(motion)
    source = ScanSource((4.0, 4.0, 4.0), scan.size, scan.ijk_to_lps, "0123456789abcdef", (), True, "made up")
    skeleton = Skeleton(source, Blur(0.8, 1500.0), surfaces, {}, NO_SEEDS, {}, (), (), {})
    center = moved(POINTS[f"hip_center_{side}"])
    side = side.opposite if mirrored else side
    return StoredCase(folder, plan_at(side, center), Anatomy(skeleton, landmarks, {}, ()), scan)


def plan_at(side, center, inclination=42.0, anteversion=18.0, diameter=52.0, frame="app", notes=()):
    angles = OrientationChoice(
        inclination_deg=inclination, anteversion_deg=anteversion, definition=Definition.RADIOGRAPHIC, frame=frame
    )
    cup = CupChoice(
        center_lps_mm=tuple(round(float(x), 9) for x in center),
        outer_diameter_mm=diameter,
        orientation=angles,
        notes=notes,
    )
    return PlanFile(side=side, cup=cup)


def solid(low, high) -> TriangleMesh:
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    return box(high - low, (high + low) / 2)


def little_scan(motion) -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = np.diag([4.0, 4.0, 4.0])
    affine[:3, 3] = (-140.0, -100.0, -160.0)
    size = (71, 51, 75)
    k, j, i = np.indices(size[::-1])
    points = np.stack([i, j, k], axis=-1) * 4.0 + affine[:3, 3]
    voxels = np.where(np.linalg.norm(points - BALL_LPS_MM, axis=-1) < 14.0, 1500, 0).astype(np.int16)
    return Volume(voxels, motion @ affine)
