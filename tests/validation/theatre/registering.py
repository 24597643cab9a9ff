"""Cotyle's own registration and cup measurement, as the theatre judges them."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.measure import measure_cup
from cotyle.xray.cup_in_picture.orientation_deviation import known_orientations
from cotyle.xray.registration.bone_model import BoneModel, bone_model
from cotyle.xray.registration.joined import join_views, register_views
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.register import Registration, RoughPose, register
from cotyle.xray.verdict import Verdict
from cotyle.xray.views import ViewName

from tests.validation.theatre.pairs import follow
from tests.validation.theatre.patients import Patient
from tests.validation.theatre.picture import TheatrePicture
from tests.validation.theatre.pose_errors import CUP_QUANTITIES, Found

_OF_ONE_HIP = (ViewName.AP_HIP, ViewName.OBTURATOR_OBLIQUE, ViewName.ILIAC_OBLIQUE, ViewName.CROSS_TABLE_LATERAL)


def one_view(picture: TheatrePicture, patient: Patient, start: CArm) -> Found:
    """Register a picture from a start; from the view's name, as in theatre, also measure the cup that it shows."""
    clocks = _Clocks()
    try:
        found = _registered(picture, patient, start)
    except InputError:
        # refused: no pose
        return Found(None, "failed", seconds=clocks.passed()[0])
    with_cup = start is picture.nominal_carm
    return _found(found, picture, patient, clocks.passed(), with_cup)


def two_views(first: TheatrePicture, second: TheatrePicture, motion: Array, patient: Patient, start: CArm) -> Found:
    """Register both pictures and join them by the C-arm's stated motion."""
    clocks = _Clocks()
    pictures, carms = (first, second), (start, follow(start, motion))
    roughs = [RoughPose(carm, _pivot(each, patient)) for each, carm in zip(pictures, carms, strict=True)]
    found = register_views([each.radiograph for each in pictures], roughs, _bone(patient.name, patient))
    if not any(each.verdict == Verdict.FAILED for each in found):
        hip = patient.found_points[f"hip_center_{patient.side}"]
        found = list(join_views(found, [follow(found[0].carm, motion)], hip).registrations)
    return _found(found[0], first, patient, clocks.passed())


class _Clocks:
    """CPU time of all threads, and the clock on the wall, from when it was made."""

    def __init__(self) -> None:
        self._began = time.process_time(), time.monotonic()

    def passed(self) -> tuple[float, float]:
        return time.process_time() - self._began[0], time.monotonic() - self._began[1]


def _registered(picture: TheatrePicture, patient: Patient, start: CArm) -> Registration:
    return register(picture.radiograph, RoughPose(start, _pivot(picture, patient)), _bone(patient.name, patient))


def _pivot(picture: TheatrePicture, patient: Patient) -> Array:
    """What a view of this name is centred on."""
    centers = {side: patient.found_points[f"hip_center_{side}"] for side in ("left", "right")}
    return centers[str(picture.side)] if picture.view in _OF_ONE_HIP else 0.5 * (centers["left"] + centers["right"])


_BONES: dict[str, BoneModel] = {}


def _bone(name: str, patient: Patient) -> BoneModel:
    if name not in _BONES:
        _BONES.clear()
        _BONES[name] = bone_model(patient.scan, patient.labels)
    return _BONES[name]


def _found(
    registration: Registration,
    picture: TheatrePicture,
    patient: Patient,
    seconds: tuple[float, float],
    with_cup: bool = False,
) -> Found:
    carm = registration.carm
    hip = patient.found_points[f"hip_center_{patient.side}"]
    handle = Handle(hip, np.stack([carm.column_direction_lps, carm.row_direction_lps, carm.normal_lps]))
    spread = 1.96 * np.sqrt(np.diag(registration.covariance_of(handle)))
    names = ("tilt_deg", "axial_deg", "turn_deg", "column_mm", "row_mm", "depth_mm")
    found = Found(
        carm,
        str(registration.verdict),
        dict(zip(names, map(float, spread), strict=True)),
        seconds[0],
        registration.reasons,
        wall_seconds=seconds[1],
    )
    return _with_cup(found, registration, picture, patient) if with_cup and registration.verdict != "failed" else found


def _with_cup(found: Found, registration: Registration, picture: TheatrePicture, patient: Patient) -> Found:
    if picture.cup is None or picture.wrong:
        return found
    planned, carm = patient.planned.cup, registration.carm
    covariance = registration.lps_covariance_at(planned.center_lps_mm)
    # the diameter of what was put in is known in theatre; nothing else of the true cup is used
    diameter = picture.cup.outer_diameter_mm
    measured = measure_cup(picture.radiograph, carm, diameter, planned, pose_covariance=covariance)
    if measured.taken is None:
        return found
    rim = measured.taken.rim
    app = patient.pelvis.app
    angles = known_orientations(measured.taken, [app], patient.side)[app.name][Definition.RADIOGRAPHIC]
    across = np.stack([carm.column_direction_lps, carm.row_direction_lps])
    spread = np.sqrt(np.diag(across @ measured.taken.covariance[:3, :3] @ across.T))
    deviations = (angles.inclination_sd_deg, angles.anteversion_sd_deg, *spread)
    return replace(
        found,
        cup=Cup(patient.side, rim.center_lps_mm, rim.normal_lps, diameter),
        cup_verdict=str(measured.verdict),
        cup_half_width_95={name: 1.96 * float(value) for name, value in zip(CUP_QUANTITIES, deviations, strict=True)},
    )
