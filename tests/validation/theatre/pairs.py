"""Two pictures of one moment, taken by a C-arm that turned about its isocentre while the patient lay still."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from cotyle.space.arrays import Array
from cotyle.space.rotations import rigid_matrix, rotation_matrix, transform_points
from cotyle.xray.carm import CArm
from cotyle.xray.views import ViewName

from tests.validation.theatre.making import TOOLS, Theatre, seed_of, take
from tests.validation.theatre.picture import Pairing, TheatrePicture
from tests.validation.theatre.scene import draw_scene
from tests.validation.theatre.sets import ViewChoice, set_of
from tests.validation.theatre.shots import (
    direction,
    draw_shot,
    machine_of,
    nominal_carm,
    turn,
    turned_machine,
)

SECOND_VIEWS = (
    ViewChoice(ViewName.OBTURATOR_OBLIQUE, angle_deg=30.0),
    ViewChoice(ViewName.ILIAC_OBLIQUE, angle_deg=40.0),
    ViewChoice(ViewName.OBTURATOR_OBLIQUE, angle_deg=45.0),
)


def camera_axes(carm: CArm) -> Array:
    """Return the 4x4 from a camera's own axes to LPS: columns, rows, columns x rows; origin in the source."""
    columns, rows = carm.column_direction_lps, carm.row_direction_lps
    return rigid_matrix(np.column_stack([columns, rows, np.cross(columns, rows)]), carm.source_lps_mm)


def motion_between(first: CArm, second: CArm) -> Array:
    """Return the rigid 4x4 that takes the first pose to the second, written in the first camera's axes."""
    to_lps = camera_axes(first)
    lps_motion = camera_axes(second) @ np.linalg.inv(to_lps)
    return np.asarray(np.linalg.inv(to_lps) @ lps_motion @ to_lps)


def follow(first: CArm, motion: Array) -> CArm:
    """Return the second pose of a pair from any estimate of the first and the C-arm's motion.

    The machine (distance, pitch, size) stays.
    """
    to_lps = camera_axes(first)
    return first.moved(to_lps @ np.asarray(motion) @ np.linalg.inv(to_lps))


def disturbed(
    motion: Array, turn_deg: float, shift_mm: float, first: CArm, pivot_lps_mm: Array, rng: np.random.Generator
) -> Array:
    """Return a motion as a poor machine tells it: off by this turn about a point and by this shift."""
    pivot = transform_points(np.linalg.inv(camera_axes(first)), pivot_lps_mm)
    rotation = turn(rng, turn_deg)
    error = rigid_matrix(rotation, pivot - rotation @ pivot + shift_mm * direction(rng))
    return np.asarray(error @ np.asarray(motion))


def stated_at_truth(picture: TheatrePicture) -> CArm:
    """Return the stated machine where the true one stood: what a start is moved off from."""
    nominal = picture.nominal_carm
    return nominal.moved(camera_axes(picture.true_carm) @ np.linalg.inv(camera_axes(nominal)))


def pairs(theatre: Theatre, count: int, pixels: int) -> Iterator[TheatrePicture]:
    """Yield AP hip and oblique in turn; the second stands where the C-arm was turned to, exactly."""
    patient = theatre.patient
    for number in range(count):
        seed = seed_of(patient.name, number, kind=2)
        rng = np.random.default_rng([seed, 11])
        choice = SECOND_VIEWS[number % len(SECOND_VIEWS)]
        scene = draw_scene(patient, rng, TOOLS[(number + ord(patient.name[0])) % len(TOOLS)])
        first = draw_shot(patient, ViewChoice(ViewName.AP_HIP), rng, pixels)
        angle = nominal_turn_deg(choice, patient.side.lateral_sign)
        # the machine turns about the patient's long axis, which are the picture's rows
        orbital = rotation_matrix(first.true.row_direction_lps, -angle)
        true = turned_machine(first.true, first.source_isocenter_mm, orbital)
        motion = tuple(tuple(float(each) for each in row) for row in motion_between(first.true, true))
        name = f"pair-{patient.name}{number:02d}"
        machine = machine_of(set_of(patient.name).detector, choice, pixels, first.source_isocenter_mm)
        second = replace(first, choice=choice, true=true, nominal=nominal_carm(patient, choice, patient.side, machine))
        for place, shot in enumerate((first, second)):
            yield take(
                theatre,
                scene,
                shot,
                name=f"{name}-{place + 1}-{shot.choice.view}",
                seed=seed + 100 * place,
                kev=set_of(patient.name).other_kev,
                pairing=Pairing(name, place + 1, motion),
            )


def nominal_turn_deg(choice: ViewChoice, lateral_sign: float) -> float:
    """Return the primary angle of an oblique, positive to the patient's left."""
    size = 45.0 if choice.angle_deg is None else choice.angle_deg
    return lateral_sign * size * (1.0 if choice.view is ViewName.OBTURATOR_OBLIQUE else -1.0)
