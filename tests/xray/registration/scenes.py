"""Pictures of the sample pelvis for tests of registration: femora turned, a cup, noise; by the readable projector."""

from dataclasses import dataclass

import numpy as np
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.xray.attenuation import attenuation_curve
from cotyle.xray.carm import CArm, from_positioner
from cotyle.xray.display import with_noise
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.projector.reference import line_integrals
from cotyle.xray.registration.motion import handle_of
from cotyle.xray.solids import shell_chords_mm

SIZE = 256
OFF = np.array([6.0, -4.0, 3.0, 8.0, -6.0, 12.0])
FEMORA = (4, 5)


@dataclass(frozen=True)
class Scene:
    """A picture, the pose that took it, a rough one, and the point both are centred on."""

    picture: Radiograph
    true: CArm
    rough: CArm
    pivot: np.ndarray


def c_arm(pivot, primary=0.0, secondary=0.0):
    return from_positioner(
        pivot,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000.0,
        source_isocenter_mm=680.0,
        pixel_pitch_mm=(300.0 / SIZE,) * 2,
        size=(SIZE, SIZE),
    )


def take(volume: Volume, truth, side, seed=1):
    """A picture of a hip from the front, and how it was taken."""
    pivot = truth.sockets[side].center_lps_mm
    rough = c_arm(pivot)
    true = handle_of(rough, pivot).moved(rough, OFF)
    return Scene(picture_from(volume, truth, side, true, seed), true, rough, pivot)


def picture_from(volume: Volume, truth, side, true: CArm, seed: int) -> Radiograph:
    """A picture with the femora turned by 12 deg, a metal cup in the socket, and noise, at another energy."""
    hip = truth.sockets[side]
    curve = attenuation_curve(65.0)
    femur = np.isin(truth.labels.voxels, FEMORA)
    without = volume.with_voxels(np.where(femur & (volume.voxels > 40), 40, volume.voxels).astype(np.int16))
    alone = volume.with_voxels(np.where(femur, volume.voxels, -1000).astype(np.int16))
    turn = rotation_matrix((1.0, 0.0, 0.0), 12.0) @ rotation_matrix((0.0, 0.0, 1.0), 8.0)
    motion = rigid_matrix(turn, hip.center_lps_mm - turn @ hip.center_lps_mm)
    integrals = line_integrals(without, true, curve) + 0.6 * line_integrals(
        alone, true.moved(np.linalg.inv(motion)), curve
    )
    axis = np.array([0.62 * side.lateral_sign, -0.33, -0.71])
    integrals = integrals + 0.3 * shell_chords_mm(true, Circle(hip.center_lps_mm, axis, 25.0), 3.5)
    seen = with_noise(integrals, 20000.0, seed)
    return Radiograph(seen.astype(np.float32), np.ones(seen.shape, dtype=bool))
