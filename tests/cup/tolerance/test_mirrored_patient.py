"""A mirrored patient in whom the mirrored things err has the same cups: on both hips of the open shape model."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.quick import Ground
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.cup.posture import Zone
from cotyle.cup.tolerance.causes import Errors, Spreads, errors_of, standard_deviates
from cotyle.cup.tolerance.procedures import Outcome, Planned, procedures
from cotyle.cup.tolerance.stop import stop_before
from cotyle.space.frames import Frame, rotated_about_left
from cotyle.space.side import Side
from cup_solids import model_hip

MIRROR = np.diag([-1.0, 1.0, 1.0])


def plan_of(bone, frame, side, center, diameter):
    """A cup of usual size and angles 3 mm medial of the native centre."""
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, frame, side)
    medial = -side.lateral_sign * frame.left
    ground = Ground(bone_field(bone, center, 60.0), inner_surface(bone, center, medial, frame.superior), center)
    standing = rotated_about_left(frame, "standing", -8.0)
    zone = Zone((30.0, 50.0), (5.0, 25.0), Definition.RADIOGRAPHIC)
    cup = Cup(side, center + 3.0 * medial, axis, float(diameter // 2 * 2 + 2))
    return Planned(cup, ground, 1.0, 6.0, 5.0, 0.8, frame, standing, zone, frame, standing_from_plane=True)


def mirrored(errors: Errors) -> Errors:
    """A turn about the left axis keeps its sense in a mirror, one about the others is reversed; lengths to the left are
    reversed, the others kept.
    """
    turned, moved = np.array([1.0, -1.0, -1.0]), np.array([-1.0, 1.0, 1.0])
    return Errors(
        plane_deg=errors.plane_deg * turned,
        native_mm=errors.native_mm @ MIRROR,
        figures=errors.figures,
        picture_deg=errors.picture_deg * turned,
        picture_mm=errors.picture_mm * moved,
        standing_deg=errors.standing_deg,
        hand_deg=errors.hand_deg,
        hand_mm=errors.hand_mm,
        depth_mm=errors.depth_mm,
        sizes=errors.sizes,
    )


# the hand's way across the axis has no side of its own: it is left out
SPREADS = Spreads(
    plane_tilt_deg=1.0,
    plane_rotation_deg=1.0,
    plane_obliquity_deg=1.0,
    native_center_mm=0.5,
    wall_mm=0.3,
    least_wall_mm=0.3,
    coverage=0.01,
    picture_tilt_deg=2.0,
    picture_rotation_deg=2.0,
    picture_turn_deg=1.0,
    picture_across_mm=1.0,
    picture_depth_mm=3.0,
    standing_tilt_deg=4.0,
    hand_inclination_deg=2.5,
    hand_anteversion_deg=2.5,
    depth_mm=1.5,
    one_size_up=0.1,
    one_size_down=0.1,
)


@pytest.fixture(scope="module", params=[Side.LEFT, Side.RIGHT])
def both(request):
    """A hip, and the same hip in the mirror."""
    hip = model_hip(request.param)
    matrix = np.eye(4)
    matrix[:3, :3] = MIRROR
    own = hip.frame
    frame = Frame(
        own.name, MIRROR @ own.origin_lps_mm, -MIRROR @ own.left, MIRROR @ own.posterior, MIRROR @ own.superior
    )
    there = plan_of(hip.bone.transformed(matrix), frame, hip.side.opposite, MIRROR @ hip.center, hip.diameter)
    return plan_of(hip.bone, own, hip.side, hip.center, hip.diameter), there


def test_every_procedure_ends_in_the_same_cup(both):
    errors = errors_of(SPREADS, standard_deviates(400, 11))
    here, there = procedures(both[0], errors), procedures(both[1], mirrored(errors))
    for outcome in Outcome:
        # a point of the shell that lies in the surface may fall on either side
        within = 0.002 if outcome is Outcome.COVERAGE else 1e-3
        assert here.of(outcome) == pytest.approx(there.of(outcome), abs=within), outcome.name
    assert np.array_equal(here.in_zone, there.in_zone)
    assert np.array_equal(here.standing_in_zone, there.standing_in_zone)


def test_the_stop_is_the_same(both):
    """The mirrored errors are as likely as the others: depth alone has no side at all."""
    spreads, deviates = Spreads(depth_mm=2.0), standard_deviates(300, 11)
    here, there = (stop_before(plan, spreads, deviates, 4.0, 0.025) for plan in both)
    assert here.before_mm == pytest.approx(there.before_mm, abs=0.1)
    assert here.at_seat == pytest.approx(there.at_seat, abs=0.002)
