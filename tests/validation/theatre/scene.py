"""What lies in the patient when the picture is taken: turned femora, metal, retractors; and its line integrals."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from cotyle.cup.component import Cup
from cotyle.space.arrays import Array
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import CArm

from tests.validation.theatre.bodies import ProjectedBody
from tests.validation.theatre.effects import retractor_shadows
from tests.validation.theatre.matter import mu_per_mm
from tests.validation.theatre.metal import Dome, dome_excess, rod_chords_mm
from tests.validation.theatre.outside_projector import OutsideProjector
from tests.validation.theatre.patients import Patient
from tests.validation.theatre.sets import set_of
from tests.validation.theatre.shots import about, direction, turn

FEMUR_ASIDE_MM = 10.0
REAMER_WALL_MM = 1.3
REAMER_FILLED = 0.55
HANDLE_MM = 320.0


class Tool(StrEnum):
    """What stands in the socket."""

    NOTHING = "nothing"
    CUP = "cup"
    CUP_ON_HANDLE = "cup on its handle"
    REAMER = "reamer"


@dataclass(frozen=True, eq=False)
class Scene:
    """The patient's inside at one moment; several pictures may be taken of it.

    metal: pose and size of cup or reamer, None for nothing; wall_mm its shell. femur_motions: rigid 4x4 by side that
    takes the femur from the scan to the table. head_cut: whether the operated side's head is gone.
    """

    tool: Tool
    metal: Cup | None
    wall_mm: float
    femur_motions: dict[Side, Array]
    head_cut: bool
    retractors: int


def draw_scene(patient: Patient, rng: np.random.Generator, tool: Tool) -> Scene:
    """Draw a scene; with a tool in the socket the head is cut off and the femur drawn aside."""
    cut = tool is not Tool.NOTHING
    motions = {side: femur_motion(patient, side, rng, cut and side is patient.side) for side in Side}
    retractors = int(rng.integers(1, 3)) if cut else 0
    if not cut:
        return Scene(tool, None, 0.0, motions, False, retractors)
    planned = patient.planned.cup
    center, size, wall = planned.center_lps_mm, planned.outer_diameter_mm, planned.shell_thickness_mm
    if tool is Tool.REAMER:
        step = patient.planned.reamers[-1]
        share = rng.uniform(0.0, 1.0)
        center = step.start_center_lps_mm + share * (step.end_center_lps_mm - step.start_center_lps_mm)
        size, wall = step.diameter_mm, REAMER_WALL_MM
    put_in = set_of(patient.name).put_in
    if put_in.size_steps_mm is not None:
        size += float(rng.choice(put_in.size_steps_mm))
    if put_in.wall_mm is not None and tool is not Tool.REAMER:
        wall = float(rng.uniform(*put_in.wall_mm))
    off = turn(rng, float(rng.uniform(0.0, put_in.most_turn_deg)))
    shift = direction(rng) * rng.uniform(0.0, put_in.most_shift_mm)
    metal = Cup(patient.side, np.asarray(center + shift), off @ planned.opening_axis_lps, size)
    return Scene(tool, metal, wall, motions, True, retractors)


def femur_motion(patient: Patient, side: Side, rng: np.random.Generator, aside: bool) -> Array:
    """Draw how a femur lies on the table: flexed by up to 25, turned by up to 15, spread by up to 10 degrees."""
    frame = patient.truth.app
    flexion, rotation, abduction = rng.uniform([-5.0, -15.0, -10.0], [25.0, 15.0, 10.0])
    # lifting the thigh takes the foot's direction (down) to the front
    turned = rotation_matrix(frame.left, -flexion) @ rotation_matrix(frame.superior, rotation)
    turned = rotation_matrix(frame.posterior, abduction) @ turned
    away = np.zeros(3)
    if aside:
        way = side.lateral_sign * frame.left + rng.uniform(0.0, 1.0) * frame.posterior + 0.4 * direction(rng)
        away = FEMUR_ASIDE_MM * way / np.linalg.norm(way)
    return about(patient.truth.heads[side].center_lps_mm, turned, away)


def line_integrals_of(scene: Scene, body: ProjectedBody, carm: CArm, operated: Side) -> tuple[Array, Array]:
    """Return the line integrals of the body, and of what metal in the socket adds, each of shape (rows, columns)."""
    total = body.rest.project(carm).astype(float)
    for side, motion in scene.femur_motions.items():
        femora = body.headless_femora if scene.head_cut and side is operated else body.femora
        total += femora[side].project(carm.moved(np.linalg.inv(motion)))
    metal = np.zeros_like(total) if scene.metal is None else _metal(scene, scene.metal, body, carm)
    return np.maximum(total, 0.0), metal


def shadows_of(scene: Scene, carm: CArm, hip_lps_mm: Array, rng: np.random.Generator) -> Array:
    """Return the line integrals of the retractors round a hip."""
    columns, rows = carm.size
    per_mm = carm.magnification(hip_lps_mm) / carm.pixel_pitch_mm[0]
    return retractor_shadows((rows, columns), carm.project(hip_lps_mm), per_mm, scene.retractors, rng)


def _metal(scene: Scene, metal: Cup, body: ProjectedBody, carm: CArm) -> Array:
    reamer = scene.tool is Tool.REAMER
    mu = mu_per_mm("steel", body.kev) * REAMER_FILLED if reamer else mu_per_mm("titanium", body.kev)
    axis, center = metal.opening_axis_lps, metal.center_lps_mm
    dome = Dome(center, axis, metal.radius_mm, scene.wall_mm, mu)
    total = OutsideProjector(dome_excess(dome, body.rest_mu, mu_per_mm("water", body.kev))).project(carm).astype(float)
    if scene.tool in (Tool.REAMER, Tool.CUP_ON_HANDLE):
        start = center - (metal.radius_mm - scene.wall_mm) * axis
        thickness = 5.0 if reamer else 5.5
        total += mu_per_mm("steel", body.kev) * rod_chords_mm(carm, start, center + HANDLE_MM * axis, thickness)
    return np.asarray(total)
