"""How wrong the moves are that would level the pelvis: told from a registered pose, or from clicked points.

The moves that the true pose asks for are those of the same closed forms (``cotyle.xray.levelling``), whose own tests
hold them against rotations; here it is the pose that is judged. The frame is the supine one that Cotyle found, for
both.
"""

from __future__ import annotations

import numpy as np
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.clicks import SACRAL_CREST
from cotyle.xray.levelling.contour_points import foramen_outline, ilioischial_point
from cotyle.xray.levelling.levelling import levelling_of
from cotyle.xray.levelling.moves import MOVE_NAMES, Moves
from cotyle.xray.levelling.point_pose import PointPose, pose_from_points
from cotyle.xray.levelling.point_task import Known
from cotyle.xray.levelling.sacral_midline import sacral_midline
from cotyle.xray.views import Machine, ViewName, view_angles_deg

from tests.validation.theatre.patients import Patient
from tests.validation.theatre.picture import TheatrePicture

CLICKED_VIEWS = (ViewName.AP_PELVIS, ViewName.INLET, ViewName.OUTLET)
CLICK_NOISE_MM = 1.0
_POINTS = ("teardrop_left", "teardrop_right", "symphysis", "sacrum_midline")


def moves_of(carm: CArm, picture: TheatrePicture, patient: Patient) -> Moves:
    """Return the moves that bring the supine frame level with the picture's view.

    Raises
    ------
    InputError
        ``levelling-picture`` for a pose more than 60 degrees off.
    """
    view = view_angles_deg(picture.view, picture.side, picture.angle_deg)
    return levelling_of(carm, {"supine": patient.pelvis.supine}, view)["supine"].moves


def move_errors_deg(carm: CArm | None, picture: TheatrePicture, patient: Patient) -> dict[str, float]:
    """Return the error of each move of a found pose, without sign; infinite where there is no pose."""
    if carm is None:
        return dict.fromkeys(MOVE_NAMES, float("inf"))
    true = moves_of(picture.true_carm, picture, patient)
    try:
        found = moves_of(carm, picture, patient)
    except InputError:
        return dict.fromkeys(MOVE_NAMES, float("inf"))
    apart = (found.values_deg - true.values_deg + 180.0) % 360.0 - 180.0
    return dict(zip(MOVE_NAMES, np.abs(apart).tolist(), strict=True))


def clicks_on(picture: TheatrePicture, patient: Patient, noise_mm: float = CLICK_NOISE_MM) -> dict[str, Array]:
    """Return what a surgeon clicks on a picture: true points and contours, off by a drawn 1 mm SD at the hip each way.

    Only what falls into the field is clicked. Points are the generator's own vertices, not those of Cotyle's rules.
    """
    carm, truth = picture.true_carm, patient.truth
    places = {name: carm.project(truth.landmarks[name]) for name in _POINTS if name in truth.landmarks}
    # the midline that is seen is the crest; clicked half-way along what the field shows of it
    crest = sacral_midline(patient.pelvis.supine, truth.landmarks["sacrum_midline"], truth.surfaces["sacrum"])
    seen = [place for place in carm.project(crest) if _in_field(picture, place)]
    if seen:
        places[SACRAL_CREST] = seen[len(seen) // 2]
    for side in Side:
        bone, drop = truth.surfaces[f"{side}_hip_bone"], truth.landmarks[f"teardrop_{side}"]
        foramen = foramen_outline(carm, bone, truth.landmarks, side)
        if foramen is not None:
            places |= {f"foramen_{end}_{side}": foramen.end(end, side).pixel for end in ("top", "bottom", "medial")}
        line = ilioischial_point(carm, bone, drop, side, float(carm.project(drop)[1]))
        if line is not None:
            places[f"ilioischial_line_{side}"] = line.pixel
    rng = np.random.default_rng([picture.seed, 23])
    spread = noise_mm * carm.magnification(picture.hip_lps_mm) / carm.pixel_pitch_mm[0]
    clicked = {name: place + spread * rng.standard_normal(2) for name, place in places.items()}
    return {name: place for name, place in clicked.items() if _in_field(picture, place)}


def pose_by_clicks(picture: TheatrePicture, patient: Patient) -> PointPose | None:
    """Return the pose from clicked points with the stated machine, None where there is none."""
    stated = picture.nominal_carm
    width, height = (pitch * count for pitch, count in zip(stated.pixel_pitch_mm, stated.size, strict=True))
    machine = Machine(stated.tube, stated.source_detector_mm, picture.source_isocenter_mm, (width, height), stated.size)
    surfaces = patient.anatomy.surfaces
    known = Known(
        patient.anatomy.landmarks,
        patient.pelvis.supine,
        {side: surfaces[f"{side}_hip_bone"] for side in Side},
        surfaces["sacrum"],
        CLICK_NOISE_MM,
    )
    clicks = clicks_on(picture, patient)
    try:
        return pose_from_points(clicks, known, machine, picture.view, side=picture.side, angle_deg=picture.angle_deg)
    except InputError:
        return None


def _in_field(picture: TheatrePicture, place: Array) -> bool:
    column, row = np.rint(place).astype(int)
    columns, rows = picture.true_carm.size
    return bool(0 <= column < columns and 0 <= row < rows and picture.usable[row, column])
