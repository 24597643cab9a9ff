"""Turn the patient, mirror the patient: the plan and its measures turn, mirror and stay."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import Cavity
from cotyle.cup.coverage import SECTORS, measure_coverage
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.orientation import Definition, orientation_table
from cotyle.cup.proposal import Targets, propose
from cotyle.cup.reaming import assess_reaming, default_steps, first_direction
from cotyle.cup.wall import measure_wall
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cup_solids import ModelHip, model_hip
from hypothesis import given, settings
from hypothesis import strategies as st


def everything(hip: ModelHip) -> dict[str, float]:
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    plan = propose(
        hip.side, hip.center, hip.diameter, hip.floor, hip.bone, surface, {"app": hip.frame}, Targets(frame="app")
    )
    steps = default_steps(plan.cup, hip.center, hip.bone)
    results = assess_reaming(steps, hip.bone, surface, hip.frame, hip.side, hip.center)
    wall = measure_wall(hip.bone, surface, Cavity(steps), with_map=True)
    coverage = measure_coverage(hip.bone, plan.cup, hip.frame)
    lateral, posterior, superior = hip.frame.to_frame(wall.minimum_at_lps_mm) * [hip.side.lateral_sign, 1, 1]
    return {
        "medial": plan.medial_mm,
        "along": wall.along_axis_mm,
        "advance": wall.advance_mm,
        "minimum": wall.minimum_mm,
        "minimum_lateral": lateral,
        "minimum_posterior": posterior,
        "minimum_superior": superior,
        "removed_first": results[0].removed_ml,
        "removed_last": results[1].removed_ml,
        "first_along": results[0].wall.along_axis_mm,
        "first_medial": results[0].path.medial,
        "advice": first_direction(plan.cup, hip.center, hip.frame).straight_rise_mm,
        "coverage": 100 * coverage.fraction,
        "overhang": coverage.overhang_mm,
        **{name: 100 * coverage.sectors[name] for name in SECTORS},
    }


LET = {"removed_first": 0.02, "removed_last": 0.02, "coverage": 0.2, "overhang": 0.12, "first_medial": 0.3}
LET |= dict.fromkeys(SECTORS, 0.5)


def assert_same(found: dict[str, float], expected: dict[str, float]) -> None:
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=LET.get(name, 0.03)), name


@settings(max_examples=5)
@given(st.integers(0, 100_000))
def test_turning_and_moving_the_patient_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    motion = rigid_matrix(rotation_matrix(rng.normal(size=3), rng.uniform(-40, 40)), rng.normal(size=3) * 100)
    assert_same(everything(model_hip().moved(motion)), everything(model_hip()))


@pytest.mark.parametrize("side", list(Side))
def test_mirroring_the_patient_mirrors_the_plan(side):
    hip = model_hip(side, (1.0, 0.5, -1.0))
    assert_same(everything(hip.mirrored()), everything(hip))


def test_orientation_stays_to_a_millionth_of_a_degree():
    hip = model_hip()
    motion = rigid_matrix(rotation_matrix([1, 2, 3], 25), [10, 20, 30])
    axis = np.array([0.6, -0.3, -0.74])
    before = orientation_table(axis, [hip.frame], hip.side)["app"]
    after = orientation_table(motion[:3, :3] @ axis, [hip.moved(motion).frame], hip.side)["app"]
    for definition in Definition:
        assert after[definition].inclination_deg == pytest.approx(before[definition].inclination_deg, abs=1e-6)
        assert after[definition].anteversion_deg == pytest.approx(before[definition].anteversion_deg, abs=1e-6)
