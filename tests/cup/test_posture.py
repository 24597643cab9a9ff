"""The cup in each posture: exact tilts, the tilts it stands, the beam that shows them, published classes."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.cup.orientation import (
    Definition,
    Orientation,
    axis_from_orientation,
    convert,
    orientation_of_axis,
    tilted,
)
from cotyle.cup.posture import (
    Mobility,
    Zone,
    beam_for_posture,
    frame_at_tilt,
    mobility_of,
    tilt_window_deg,
    tilts_unfavourably,
)
from cotyle.space.side import Side
from cotyle.xray.levelling.moves import Setting, setting_axes
from hypothesis import given, settings
from hypothesis import strategies as st

RADIOGRAPHIC = Definition.RADIOGRAPHIC
LEWINNEK = Zone((30.0, 50.0), (5.0, 25.0), RADIOGRAPHIC)
"""Lewinnek et al., J Bone Joint Surg Am 1978;60:217-20: 40 and 15, give or take 10 deg."""
POINTS = {
    "asis_left": (120.0, -60.0, 90.0),
    "asis_right": (-118.0, -62.0, 92.0),
    "pubic_tubercle_left": (25.0, -68.0, 2.0),
    "pubic_tubercle_right": (-27.0, -66.0, 1.0),
}


def pelvis():
    return build_pelvis({name: Landmark(name, np.array(point), Origin.GIVEN, 1.0) for name, point in POINTS.items()})


# closed form after Murray 1993: the zone's bound of anteversion is met at OA' = asin(sin RA' / cos OI)
def test_a_cup_at_40_15_stands_13_deg_of_tilt_either_way():
    operative = (38.3808, 19.2790)  # of radiographic 40 / 15
    low, high = (
        np.rad2deg(np.arcsin(np.sin(np.deg2rad(bound)) / np.cos(np.deg2rad(operative[0])))) for bound in (5.0, 25.0)
    )
    back, forward = high - operative[1], operative[1] - low
    window = tilt_window_deg(Orientation(40.0, 15.0), RADIOGRAPHIC, LEWINNEK)
    assert window == pytest.approx((-back, forward), abs=1e-3)
    assert window == pytest.approx((-13.3, 12.9), abs=0.1)  # to a tenth by a table of tilts


@settings(max_examples=30)
@given(st.floats(31, 49), st.floats(6, 24), st.sampled_from(list(Definition)))
def test_at_the_end_of_its_tilts_a_cup_lies_on_the_edge_of_the_zone(inclination, anteversion, definition):
    cup = Orientation(inclination, anteversion)
    window = tilt_window_deg(cup, RADIOGRAPHIC, LEWINNEK)
    for change in window:
        at = tilted(cup, RADIOGRAPHIC, change)
        bounds = (*LEWINNEK.inclination_deg, *LEWINNEK.anteversion_deg)
        values = (at.inclination_deg, at.inclination_deg, at.anteversion_deg, at.anteversion_deg)
        assert min(abs(value - bound) for value, bound in zip(values, bounds, strict=True)) < 1e-6
    # told in another definition the same cup stands the same tilts
    other = tilt_window_deg(convert(cup, RADIOGRAPHIC, definition), definition, LEWINNEK)
    assert other == pytest.approx(window, abs=1e-6)


def test_a_cup_outside_the_zone_has_no_tilts_to_stand():
    assert tilt_window_deg(Orientation(55.0, 15.0), RADIOGRAPHIC, LEWINNEK) is None
    assert LEWINNEK.contains(Orientation(50.0, 5.0))  # the bounds belong to it


def test_a_zone_that_holds_everything_ends_at_the_farthest_tilt():
    everything = Zone((-180.0, 180.0), (-90.0, 90.0), RADIOGRAPHIC)
    assert tilt_window_deg(Orientation(40.0, 15.0), RADIOGRAPHIC, everything) == (-60.0, 60.0)


# worked values: radiographic 40/15 tilted back by 10 and 20, forward by 20 deg (from Murray's definitions)
@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(
    ("change", "inclination", "anteversion"), [(-10, 42.241, 22.543), (-20, 45.657, 29.755), (20, 38.383, -0.565)]
)
def test_through_frames_a_posture_gives_the_worked_angles(side, change, inclination, anteversion):
    held = pelvis()
    axis = axis_from_orientation(Orientation(40.0, 15.0), RADIOGRAPHIC, held.supine, side)
    frame = frame_at_tilt(held, "posture", held.anterior_tilt_deg + change)
    found = orientation_of_axis(axis, frame, side, RADIOGRAPHIC)
    assert (found.inclination_deg, found.anteversion_deg) == pytest.approx((inclination, anteversion), abs=1e-3)


@given(st.floats(-40, 40))
def test_a_posture_takes_degree_for_degree_from_operative_anteversion(change):
    held = pelvis()
    axis = axis_from_orientation(Orientation(40.0, 20.0), Definition.OPERATIVE, held.supine, Side.LEFT)
    frame = frame_at_tilt(held, "posture", held.anterior_tilt_deg + change)
    found = orientation_of_axis(axis, frame, Side.LEFT, Definition.OPERATIVE)
    assert (found.inclination_deg, found.anteversion_deg) == pytest.approx((40.0, 20.0 - change), abs=1e-9)


@given(st.floats(-40, 40))
def test_the_tilted_beam_shows_on_the_table_what_the_pelvis_does_in_the_posture(change):
    """The picture's axes on the table are those of the posture's frame: DICOM's angles, not our own formula."""
    held = pelvis()
    frame = frame_at_tilt(held, "posture", held.anterior_tilt_deg + change)
    in_supine = frame.axes @ held.supine.axes.T
    tilt = beam_for_posture(change).cranial_deg
    assert np.allclose(in_supine, setting_axes(Setting(secondary_deg=tilt)), atol=1e-9)


def test_a_pelvis_that_tilts_back_is_seen_towards_outlet():
    """An outlet view looks from the feet, an inlet view from the head; a pelvis tilted back opens its foramina."""
    assert beam_for_posture(-12.0).towards == "outlet"
    assert beam_for_posture(8.0).towards == "inlet"
    assert beam_for_posture(0.3).towards == "neither"


# below 10 stiff, 10 to 30 normal, above 30 hypermobile: Haffer et al., J Clin Med 2020;9:2569
@pytest.mark.parametrize(
    ("back", "mobility"),
    [
        (-4.0, Mobility.STIFF),
        (9.9, Mobility.STIFF),
        (10.0, Mobility.NORMAL),
        (30.0, Mobility.NORMAL),
        (30.1, Mobility.HYPERMOBILE),
    ],
)
def test_mobility_classes_have_the_published_limits(back, mobility):
    assert mobility_of(back) is mobility


# 13 deg: Langston et al., Bone Joint J 2018;100-B:845
def test_thirteen_degrees_back_on_standing_are_unfavourable():
    assert tilts_unfavourably(-13.0)
    assert not tilts_unfavourably(-12.9)
    assert not tilts_unfavourably(20.0)
