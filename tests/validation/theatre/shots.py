"""Where the C-arm stands: named views of a patient who lies turned and tilted, with angles and isocentre jittered."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from cotyle.space.arrays import Array
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.views import Machine, named_view

from tests.validation.theatre.patients import Patient
from tests.validation.theatre.sets import Detector, ViewChoice, set_of

MOST_LIE_DEG = 10.0
MOST_JITTER_DEG = 3.0
MOST_SHIFT_MM = 30.0


@dataclass(frozen=True, eq=False)
class Shot:
    """One pose.

    nominal: what the view's name alone says, with the stated machine, from what Cotyle found; true: where source and
    detector really stood. lie_deg: turn of the patient against the level pelvis.
    """

    choice: ViewChoice
    side: Side
    nominal: CArm
    true: CArm
    source_isocenter_mm: float
    lie_deg: float


def machine_of(detector: Detector, choice: ViewChoice, pixels: int, source_isocenter_mm: float) -> Machine:
    """Return the C-arm of a view."""
    width, away = detector.wide_mm if choice.wide else detector.usual_mm, detector.source_detector_mm
    return Machine(Tube.UNDER_TABLE, away, source_isocenter_mm, (width, width), (pixels, pixels))


def nominal_carm(patient: Patient, choice: ViewChoice, side: Side, machine: Machine) -> CArm:
    """Return the pose that a view's name tells, level with the supine frame that Cotyle found."""
    return named_view(choice.view, patient.pelvis.supine, patient.found_points, side, machine, choice.angle_deg).carm


def draw_shot(
    patient: Patient, choice: ViewChoice, rng: np.random.Generator, pixels: int, side: Side | None = None
) -> Shot:
    """Draw a pose around a named view of the operated hip, or of a stated side."""
    hip = patient.side if side is None else side
    detector = set_of(patient.name).detector
    source_isocenter = float(rng.uniform(*detector.source_isocenter_mm))
    nominal = nominal_carm(patient, choice, hip, machine_of(detector, choice, pixels, source_isocenter))
    isocenter = isocenter_of(nominal, source_isocenter)
    lie = turn(rng, float(rng.uniform(0.0, MOST_LIE_DEG)))
    jitter = rotation_of(rng.uniform(-MOST_JITTER_DEG, MOST_JITTER_DEG, 3))
    shift = direction(rng) * rng.uniform(0.0, MOST_SHIFT_MM)
    true = nominal.moved(about(isocenter, jitter @ lie, shift))
    return Shot(choice, hip, nominal, true, source_isocenter, angle_deg(lie))


def isocenter_of(carm: CArm, source_isocenter_mm: float) -> Array:
    """Return the point on the central ray that the machine turns about."""
    return np.asarray(carm.source_lps_mm + source_isocenter_mm * carm.normal_lps)


def turned_machine(carm: CArm, source_isocenter_mm: float, rotation: Array) -> CArm:
    """Return the pose after the C-arm alone turned about its isocentre; the patient lies still."""
    return carm.moved(about(isocenter_of(carm, source_isocenter_mm), rotation, np.zeros(3)))


def start_off(carm: CArm, pivot_lps_mm: Array, turn_deg: float, shift_mm: float, rng: np.random.Generator) -> CArm:
    """Return a start that is off by exactly this turn about the pivot and this shift, each in a drawn direction."""
    return carm.moved(about(pivot_lps_mm, turn(rng, turn_deg), direction(rng) * shift_mm))


def wrong_camera(carm: CArm, distance_factor: float, center_off_mm: tuple[float, float]) -> CArm:
    """Return the same source with a detector farther away, and moved so that its middle is off the central ray."""
    away = (distance_factor - 1.0) * carm.source_detector_mm * carm.normal_lps
    across = center_off_mm[0] * carm.column_direction_lps + center_off_mm[1] * carm.row_direction_lps
    return replace(carm, detector_origin_lps_mm=np.asarray(carm.detector_origin_lps_mm + away + across))


def stated(carm: CArm, scale: float) -> CArm:
    """Return the same pose with a pitch that is wrong by a factor; the middle of the detector stays."""
    pitch = (carm.pixel_pitch_mm[0] * scale, carm.pixel_pitch_mm[1] * scale)
    middle = carm.pixel_to_lps(carm.center_px)
    corner = middle - carm.center_px[0] * pitch[0] * carm.column_direction_lps
    corner = corner - carm.center_px[1] * pitch[1] * carm.row_direction_lps
    return replace(carm, detector_origin_lps_mm=np.asarray(corner), pixel_pitch_mm=pitch)


def about(pivot_lps_mm: Array, rotation: Array, shift_mm: Array) -> Array:
    """Return the rigid 4x4 that turns about a point and then shifts."""
    return rigid_matrix(rotation, pivot_lps_mm - rotation @ pivot_lps_mm + shift_mm)


def turn(rng: np.random.Generator, angle: float) -> Array:
    """Return a rotation by this angle about a drawn axis."""
    return rotation_matrix(direction(rng), angle)


def direction(rng: np.random.Generator) -> Array:
    """Return a drawn unit vector."""
    drawn = rng.standard_normal(3)
    return np.asarray(drawn / np.linalg.norm(drawn))


def rotation_of(vector_deg: Array) -> Array:
    """Return the rotation about a vector by its length in degrees."""
    size = float(np.linalg.norm(vector_deg))
    return rotation_matrix(vector_deg, size) if size > 1e-12 else np.eye(3)


def angle_deg(rotation: Array) -> float:
    """Return the angle of a rotation."""
    return float(np.rad2deg(np.arccos(np.clip((np.trace(rotation) - 1.0) / 2.0, -1.0, 1.0))))
