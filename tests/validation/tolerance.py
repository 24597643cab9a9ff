"""Stated intervals of a plan's tolerance held against procedures of another making, on the true bones.

    python -m tests.validation.tolerance --patients DIR [--procedures 204] [--page docs/validation-decisions.md]

Each patient is a scan that Cotyle segmented and planned on. A procedure draws what errs in theatre with its own code,
one cup at a time; the cup is then measured in the true pelvis, on the surfaces that the scan was made from, by the
functions of ``measure``. What landmarks and bone edges err by is not drawn: it is whatever this scan's segmentation
erred by. Counted is how often the figure lies in the interval that was stated before; asked is 92 to 98 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.survey import survey_anatomy
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance import ToleranceFacts, spreads_of, tolerance_of
from cotyle.case.stages import hip_of
from cotyle.cup.cavity import Cavity
from cotyle.cup.center import center_shift
from cotyle.cup.component import Cup
from cotyle.cup.coverage import measure_coverage
from cotyle.cup.inner_surface import InnerSurface, inner_surface
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, orientation_of_axis
from cotyle.cup.reaming import default_steps
from cotyle.cup.tolerance.causes import Spreads
from cotyle.cup.tolerance.procedures import SIZE_STEP_MM
from cotyle.cup.wall import measure_wall
from cotyle.image.labels import hip_bone
from cotyle.space.arrays import Array
from cotyle.space.frames import rotated_about_left
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotate

from tests.validation.page_parts import write_part
from tests.validation.theatre.patients import Patient, load_patient
from tests.validation.theatre.sets import USUAL

LEAST_HELD, MOST_HELD = 0.92, 0.98


@dataclass(frozen=True, eq=False)
class TrueHip:
    """What is true of a patient's operated hip."""

    pelvis: Pelvis
    bone: TriangleMesh
    inner: InnerSurface
    center_lps_mm: Array


def true_hip(patient: Patient) -> TrueHip:
    """Survey the surfaces that the scan was made from."""
    truth, side = patient.truth, patient.side
    pelvis = survey_anatomy(truth.surfaces).pelvis
    bone, center = truth.surfaces[hip_bone(side)], truth.sockets[side].center_lps_mm
    inner = inner_surface(bone, center, -side.lateral_sign * pelvis.supine.left, pelvis.supine.superior)
    return TrueHip(pelvis, bone, inner, center)


def one_cup(patient: Patient, spreads: Spreads, draw: np.random.Generator) -> tuple[Cup, float]:
    """Place one cup as hand and picture would, and draw the change of tilt on standing, degrees."""
    planned, frame, side = patient.planned.cup, patient.planned.pelvis.supine, patient.side
    axis = planned.opening_axis_lps
    # one after the other: for a few degrees the order does not matter
    for about, deviation in (
        (frame.left, spreads.picture_tilt_deg),
        (frame.superior, spreads.picture_rotation_deg),
        (frame.posterior, spreads.picture_turn_deg),
    ):
        axis = rotate(axis, about, draw.normal(0.0, deviation))
    seen = orientation_of_axis(axis, frame, side, Definition.RADIOGRAPHIC)
    turned = Orientation(
        seen.inclination_deg + draw.normal(0.0, spreads.hand_inclination_deg),
        seen.anteversion_deg + draw.normal(0.0, spreads.hand_anteversion_deg),
    )
    axis = axis_from_orientation(turned, Definition.RADIOGRAPHIC, frame, side)
    center = planned.center_lps_mm.copy()
    for along, deviation in (
        (frame.left, spreads.picture_across_mm),
        (frame.superior, spreads.picture_across_mm),
        (frame.posterior, spreads.picture_depth_mm),
        (axis, spreads.depth_mm),
    ):
        center += draw.normal(0.0, deviation) * along
    beside = draw.normal(0.0, spreads.hand_across_mm, 3)
    center += beside - (beside @ axis) * axis
    chance = draw.random()
    step = SIZE_STEP_MM * ((chance < spreads.one_size_up) - (chance > 1.0 - spreads.one_size_down))
    return Cup(side, center, axis, planned.outer_diameter_mm + step), draw.normal(0.0, spreads.standing_tilt_deg)


def measured(patient: Patient, true: TrueHip, cup: Cup, tilt_deg: float) -> dict[str, float]:
    """Measure a cup in the true pelvis by the names of the tolerance's figures."""
    frame, side = true.pelvis.supine, patient.side
    change = patient.planned.plan.posture.standing_tilt_change_deg + tilt_deg
    lying = orientation_of_axis(cup.opening_axis_lps, frame, side, Definition.RADIOGRAPHIC)
    upright = rotated_about_left(frame, "standing", change)
    standing = orientation_of_axis(cup.opening_axis_lps, upright, side, Definition.RADIOGRAPHIC)
    wall = measure_wall(true.bone, true.inner, Cavity(default_steps(cup, true.center_lps_mm, true.bone)))
    shift = center_shift(true.center_lps_mm, cup.center_lps_mm, frame, side)
    return {
        "inclination_deg": lying.inclination_deg,
        "anteversion_deg": lying.anteversion_deg,
        "standing_inclination_deg": standing.inclination_deg,
        "standing_anteversion_deg": standing.anteversion_deg,
        "wall_along_axis_mm": wall.along_axis_mm,
        "least_wall_mm": wall.minimum_mm,
        "coverage": measure_coverage(true.bone, cup, frame).fraction,
        "center_medial_mm": shift.medial,
        "center_superior_mm": shift.superior,
        "center_anterior_mm": shift.anterior,
    }


def held(patient: Patient, count: int) -> tuple[ToleranceFacts, Iterator[dict[str, bool]]]:
    """Return what was stated for a patient, and for each procedure which figures lie in their stated intervals."""
    questions = Questions()
    hip = hip_of(patient.anatomy, patient.scan, patient.side)
    facts = tolerance_of(patient.planned, hip, questions, seed=1)
    spreads, _ = spreads_of(patient.planned, questions)
    true, draw = true_hip(patient), np.random.default_rng([ord(letter) for letter in patient.name])

    def trials() -> Iterator[dict[str, bool]]:
        for _ in range(count):
            found = measured(patient, true, *one_cup(patient, spreads, draw))
            yield {
                name: bool(fact.interval[0] <= found[name] <= fact.interval[1]) for name, fact in facts.outcomes.items()
            }

    return facts, trials()


def main() -> int:
    """Return the exit code: 1 where an interval holds too little or too much."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=Path, required=True)
    parser.add_argument("--procedures", type=int, default=204)
    parser.add_argument("--page", type=Path)
    options = parser.parse_args()
    names = USUAL.names(6)
    results: list[dict[str, bool]] = []
    for name in names:
        facts, trials = held(load_patient(name, options.patients, print), options.procedures // len(names))
        rows = list(trials)
        results += rows
        own = ", ".join(f"{key} {np.mean([row[key] for row in rows]):.2f}" for key in facts.outcomes)
        print(f"{name}: {own}", flush=True)
    shares = {key: float(np.mean([row[key] for row in results])) for key in results[0]}
    whole = float(np.mean(list(shares.values())))
    part = page(shares, whole, len(results), len(names))
    print(part)
    if options.page is not None:
        write_part(options.page, "Validation of decisions", "tolerance", part)
    return 0 if LEAST_HELD <= whole <= MOST_HELD else 1


def page(shares: dict[str, float], whole: float, count: int, patients: int) -> str:
    """Return the part of the page."""
    rows = "\n".join(f"| {name} | {100 * share:.1f} % |" for name, share in shares.items())
    kept = "kept" if LEAST_HELD <= whole <= MOST_HELD else "**missed**"
    return f"""## Tolerance

Made by `python -m tests.validation.tolerance`. {count} procedures on {patients} synthetic patients: planned on a scan,
drawn by code of its own, measured on the true surfaces. Landmarks and edges err as the segmentation of each scan did.

| figure | in its stated 95 % interval |
|---|---|
{rows}
| **all** | **{100 * whole:.1f} %** (92 to 98 %: {kept}) |
"""


if __name__ == "__main__":
    raise SystemExit(main())
