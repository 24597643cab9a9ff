"""Procedures in which things err, held against closed forms on a block, and against the laws of mirroring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.quick import Ground
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.cup.posture import Zone
from cotyle.cup.tolerance.causes import Cause, Spreads, errors_of, standard_deviates
from cotyle.cup.tolerance.procedures import Outcome, Planned, procedures
from cotyle.cup.tolerance.shares import variance_shares
from cotyle.cup.tolerance.stop import stop_before
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cup_solids import box
from scipy.stats import norm

FRAME = Frame("supine", np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]))
ZONE = Zone((30.0, 50.0), (5.0, 25.0), Definition.RADIOGRAPHIC)
DEVIATES = standard_deviates(10_000, 7)
BACK_MM, CUP_MM, UNDER_MM = 32.0, 54.0, 1.0
WALL_MM = BACK_MM - (CUP_MM - UNDER_MM) / 2


@pytest.fixture(scope="module")
def ground():
    block = box((-BACK_MM, -60.0, -60.0), (0.0, 60.0, 60.0), cell_mm=20.0)
    inner = inner_surface(block, np.zeros(3), np.array([-1.0, 0, 0]), np.array([0, 0, 1.0]))
    return Ground(bone_field(block, np.zeros(3), 60.0), inner, np.zeros(3))


def planned(ground, axis, side=Side.LEFT):
    return Planned(
        cup=Cup(side, np.zeros(3), axis, CUP_MM),
        ground=ground,
        last_under_mm=UNDER_MM,
        along_mm=WALL_MM,
        least_mm=WALL_MM,
        coverage=0.8,
        supine=FRAME,
        standing=FRAME,
        zone=ZONE,
        zone_frame=FRAME,
    )


def straight_in(ground):
    return planned(ground, np.array([1.0, 0.0, 0.0]))


def tipped(ground, inclination, anteversion, side=Side.LEFT):
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, FRAME, side)
    return planned(ground, axis, side)


def spread_of(plan, outcome, **spreads):
    return procedures(plan, errors_of(Spreads(**spreads), DEVIATES)).of(outcome).std()


# Slopes of radiographic angles per degree of a turn of the pelvis; derived from Murray, J Bone Joint Surg Br
# 1993;75-B:228-32: tilt dRA = cos RI, dRI = sin RI tan RA; rotation dRA = sin RI, dRI = cos RI tan RA; obliquity turns
# inclination one for one and leaves anteversion.
SLOPES = {
    "tilt": (lambda ri, ra: np.sin(ri) * np.tan(ra), lambda ri, ra: np.cos(ri)),
    "rotation": (lambda ri, ra: np.cos(ri) * np.tan(ra), lambda ri, ra: np.sin(ri)),
    "turn": (lambda ri, ra: 1.0, lambda ri, ra: 0.0),
}


@pytest.mark.parametrize(("inclination", "anteversion"), [(40.0, 15.0), (45.0, 20.0), (35.0, 25.0)])
@pytest.mark.parametrize(
    ("way", "spread", "standing"),
    [
        ("tilt", "picture_tilt_deg", False),
        ("rotation", "picture_rotation_deg", False),
        ("turn", "picture_turn_deg", False),
        ("rotation", "plane_rotation_deg", False),
        ("turn", "plane_obliquity_deg", False),
        ("tilt", "standing_tilt_deg", True),
    ],
)
def test_one_turn_at_a_time_spreads_the_angles_by_its_slope(ground, inclination, anteversion, way, spread, standing):
    found = procedures(tipped(ground, inclination, anteversion), errors_of(Spreads(**{spread: 1.0}), DEVIATES))
    ri, ra = np.radians([inclination, anteversion])
    first = Outcome.STANDING_INCLINATION if standing else Outcome.INCLINATION
    for outcome, slope in zip((first, Outcome(first + 1)), SLOPES[way], strict=True):
        assert found.of(outcome).std() == pytest.approx(slope(ri, ra), rel=0.03, abs=0.01)


@pytest.mark.parametrize(("from_plane", "slope"), [(False, 0.0), (True, np.cos(np.radians(40.0)))])
def test_the_plane_s_tilt_turns_only_a_frame_whose_tilt_is_told_against_it(ground, from_plane, slope):
    """The supine frame has its tilt from the table: with it the plane's tilt error has nothing to do."""
    plan = replace(tipped(ground, 40.0, 15.0), standing_from_plane=from_plane, zone_from_plane=from_plane)
    found = procedures(plan, errors_of(Spreads(plane_tilt_deg=2.0), DEVIATES))
    assert found.of(Outcome.ANTEVERSION).std() == pytest.approx(0.0, abs=1e-9)
    assert found.of(Outcome.STANDING_ANTEVERSION).std() == pytest.approx(2.0 * slope, rel=0.03, abs=1e-9)
    far = procedures(plan, errors_of(Spreads(plane_tilt_deg=10.0), DEVIATES))
    assert (far.in_zone.mean() < 1.0) == from_plane
    assert (far.standing_in_zone.mean() < 1.0) == from_plane


def test_a_point_of_the_plane_that_is_off_leaves_the_supine_frame():
    """What the test above rests on, on the frames themselves: both tubercles 3 mm too far back."""
    points = {
        "asis_left": (120.0, -60.0, 90.0),
        "asis_right": (-118.0, -54.0, 95.0),
        "pubic_tubercle_left": (25.0, -68.0, 2.0),
        "pubic_tubercle_right": (-27.0, -66.0, 1.0),
    }

    def pelvis(back_mm):
        return build_pelvis(
            {
                name: Landmark(name, np.add(point, (0.0, back_mm * ("pubic" in name), 0.0)), Origin.GIVEN, 1.0)
                for name, point in points.items()
            }
        )

    found, true = pelvis(0.0), pelvis(3.0)
    assert true.anterior_tilt_deg - found.anterior_tilt_deg > 1.5
    assert np.abs(true.app.axes - found.app.axes).max() > 0.03
    assert np.abs(true.supine.axes - found.supine.axes).max() < 1e-4


def test_the_hand_spreads_each_angle_by_what_it_errs(ground):
    plan = tipped(ground, 40.0, 15.0)
    assert spread_of(plan, Outcome.INCLINATION, hand_inclination_deg=2.0) == pytest.approx(2.0, rel=0.03)
    assert spread_of(plan, Outcome.ANTEVERSION, hand_anteversion_deg=2.0) == pytest.approx(2.0, rel=0.03)
    assert spread_of(plan, Outcome.ANTEVERSION, hand_inclination_deg=2.0) == pytest.approx(0.0, abs=1e-9)


def test_depth_takes_its_own_length_from_the_wall_and_goes_through_as_often_as_a_normal_error(ground):
    found = procedures(straight_in(ground), errors_of(Spreads(depth_mm=1.0), DEVIATES))
    for outcome in (Outcome.WALL_ALONG, Outcome.LEAST_WALL):
        assert found.of(outcome).std() == pytest.approx(1.0, rel=0.03)
        assert found.of(outcome).mean() == pytest.approx(WALL_MM, abs=0.03)
    deep = procedures(straight_in(ground), errors_of(Spreads(depth_mm=3.0), DEVIATES))
    assert np.mean(deep.of(Outcome.WALL_ALONG) <= 0.0) == pytest.approx(norm.cdf(-WALL_MM / 3.0), abs=0.006)


def test_a_size_more_takes_half_a_step_from_the_wall(ground):
    found = procedures(straight_in(ground), errors_of(Spreads(one_size_up=0.3, one_size_down=0.1), DEVIATES))
    walls, counts = np.unique(np.round(found.of(Outcome.WALL_ALONG), 1), return_counts=True)
    assert walls == pytest.approx([WALL_MM - 1.0, WALL_MM, WALL_MM + 1.0], abs=0.06)
    assert counts / 10_000 == pytest.approx([0.3, 0.6, 0.1], abs=0.015)


def test_the_centre_spreads_by_native_centre_and_picture(ground):
    plan = straight_in(ground)
    assert spread_of(plan, Outcome.SUPERIOR, native_center_mm=0.5) == pytest.approx(0.5, rel=0.03)
    assert spread_of(plan, Outcome.ANTERIOR, picture_depth_mm=2.0) == pytest.approx(2.0, rel=0.03)
    assert spread_of(plan, Outcome.SUPERIOR, picture_depth_mm=2.0) == pytest.approx(0.0, abs=1e-9)


def test_without_errors_the_plan_is_met_exactly(ground):
    found = procedures(tipped(ground, 40.0, 15.0), errors_of(Spreads(), DEVIATES[:5]))
    expected = [40.0, 15.0, 40.0, 15.0, WALL_MM, WALL_MM, 0.8, 0.0, 0.0, 0.0]
    assert found.outcomes == pytest.approx(np.tile(expected, (5, 1)), abs=1e-9)
    assert found.in_zone.all()
    assert found.standing_in_zone.all()


def test_a_zone_is_met_as_often_as_a_normal_error_stays_within_it(ground):
    found = procedures(tipped(ground, 40.0, 15.0), errors_of(Spreads(hand_anteversion_deg=8.0), DEVIATES))
    assert found.in_zone.mean() == pytest.approx(1 - 2 * norm.cdf(-10 / 8), abs=0.012)


def test_shares_of_independent_causes_are_those_of_their_variances(ground):
    errors = errors_of(Spreads(depth_mm=1.0, picture_across_mm=0.5, wall_mm=0.3), DEVIATES)
    shares = variance_shares(errors, procedures(straight_in(ground), errors).of(Outcome.WALL_ALONG))
    whole = 1.0 + 0.25 + 0.09
    assert shares[Cause.DEPTH] == pytest.approx(1.0 / whole, abs=0.02)
    assert shares[Cause.PICTURE] == pytest.approx(0.25 / whole, abs=0.02)
    assert shares[Cause.EDGES] == pytest.approx(0.09 / whole, abs=0.02)
    assert shares[Cause.HAND] == 0.0


def test_a_share_of_a_square_is_found_and_one_of_a_product_is_nobodys():
    errors = errors_of(Spreads(depth_mm=1.0, standing_tilt_deg=1.0), DEVIATES)
    depth, tilt = errors.depth_mm, errors.standing_deg
    assert variance_shares(errors, depth**2)[Cause.DEPTH] == pytest.approx(1.0, abs=1e-6)
    together = variance_shares(errors, depth * tilt)
    assert max(together.values()) < 0.02
    assert not any(variance_shares(errors, np.full(10_000, 3.0)).values())


def test_shares_are_never_more_than_the_whole():
    """Lots of few procedures go together by chance: a bare sum of what each cause explains would be above 1."""
    few = errors_of(Spreads(depth_mm=1.0, standing_tilt_deg=1.0), DEVIATES[:200])
    together = np.corrcoef(few.depth_mm, few.standing_deg)[0, 1]
    outcome = few.depth_mm + np.sign(together) * few.standing_deg
    shares = variance_shares(few, outcome)
    assert sum(shares.values()) <= 1.0 + 1e-12
    assert sum(shares.values()) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("depth", [1.5, 2.5])
def test_the_stop_lies_where_a_normal_error_of_depth_says(ground, depth):
    limit, accepted = 4.0, 0.025
    stop = stop_before(straight_in(ground), Spreads(depth_mm=depth), DEVIATES, limit, accepted)
    assert stop.at_seat == pytest.approx(norm.cdf((limit - WALL_MM) / depth), abs=0.015)
    assert stop.before_mm == pytest.approx(norm.isf(accepted) * depth - (WALL_MM - limit), abs=0.25)
    assert stop.at_stop <= accepted
    assert stop.after_picture == 0.0


def test_a_wall_that_is_thick_enough_asks_for_no_stop_and_a_hopeless_one_has_none(ground):
    plan = straight_in(ground)
    assert stop_before(plan, Spreads(depth_mm=0.5), DEVIATES[:1000], 2.0, 0.025).before_mm == 0.0
    assert stop_before(plan, Spreads(depth_mm=0.5), DEVIATES[:1000], 25.0, 0.025).before_mm is None


def test_the_same_seed_gives_the_same_procedures_and_another_gives_others(ground):
    spreads, plan = Spreads(hand_inclination_deg=2.0, depth_mm=1.0), straight_in(ground)
    first, again, other = (
        procedures(plan, errors_of(spreads, standard_deviates(200, seed))).outcomes for seed in (1, 1, 2)
    )
    assert np.array_equal(first, again)
    assert not np.allclose(first, other)


def test_more_errors_of_one_cause_leave_the_draws_of_the_others(ground):
    few, many = (errors_of(Spreads(depth_mm=1.0, hand_across_mm=mm), DEVIATES) for mm in (0.0, 3.0))
    assert np.array_equal(few.depth_mm, many.depth_mm)
    assert errors_of(Spreads(depth_mm=1.0, hand_across_mm=3.0).without(Cause.HAND), DEVIATES).hand_mm.std() == 0.0


def test_a_right_hip_spreads_as_a_left_one(ground):
    spreads = Spreads(picture_tilt_deg=2.0, picture_rotation_deg=1.0, hand_anteversion_deg=2.0)
    errors = errors_of(spreads, DEVIATES)
    left, right = (procedures(tipped(ground, 40.0, 15.0, side), errors) for side in (Side.LEFT, Side.RIGHT))
    for outcome in (Outcome.INCLINATION, Outcome.ANTEVERSION):
        assert left.of(outcome).std() == pytest.approx(right.of(outcome).std(), rel=0.03)
