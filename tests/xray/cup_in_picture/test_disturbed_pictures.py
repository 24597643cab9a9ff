"""What a theatre puts over a cup: a pointer, screw holes and a marker, the edge of the field. Found, or doubted."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.arrays import unit
from cotyle.space.rotations import angle_between_deg
from cotyle.xray.cup_in_picture.measure import measure_cup
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.verdict import Verdict

from tests.xray.cup_in_picture.simulated import TITANIUM_60_KEV, ellipsoid_chords, picture_of, scene

STEEL_60_KEV = 0.9  # about, from memory


@pytest.fixture(scope="module")
def place():
    return scene(np.random.default_rng(12), window=280, anteversion=20.0, off_mm=2.0, off_deg=3.0)


def measured(place, picture, **more):
    return measure_cup(picture, place.carm, place.cup.outer_diameter_mm, place.planned, **more)


def is_near(found, place, angle_deg=1.0, across_mm=0.4):
    off = found.rim.center_lps_mm - place.cup.center_lps_mm
    ray = unit(place.cup.center_lps_mm - place.carm.source_lps_mm)
    turned = angle_between_deg(found.rim.normal_lps, place.cup.opening_axis_lps)
    return turned < angle_deg and float(np.linalg.norm(off - (off @ ray) * ray)) < across_mm


@pytest.mark.parametrize("end", ["light", "dark"])
def test_a_mouse_pointer_over_the_rim_that_was_not_masked_moves_nothing(place, end):
    picture = picture_of(place, 12)
    values = picture.attenuation.copy()
    column, row = np.rint(place.carm.project(place.cup.center_lps_mm)).astype(int)
    for n in range(20):
        values[row + 10 + n, column + 5 : column + 6 + n // 2] = values.max() if end == "dark" else values.min()
    found = measured(place, Radiograph(values, picture.usable))
    assert found.verdict is not Verdict.FAILED
    assert is_near(found, place)


def test_screw_holes_and_a_liners_marker_move_nothing(place):
    cup = place.cup
    across = unit(np.cross(cup.opening_axis_lps, (0.0, 1.0, 0.0)))
    dome = [unit(-cup.opening_axis_lps + way * across) for way in (-0.7, 0.0, 0.7)]
    # a hole takes out about the wall of the shell over 8 mm; a wire of 1 mm lies round the liner
    holes = -TITANIUM_60_KEV * sum(
        ellipsoid_chords(place.carm, cup.center_lps_mm + (cup.radius_mm - 2.0) * way, (4.0, 4.0, 2.0)) for way in dome
    )
    ring = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    other = np.cross(cup.opening_axis_lps, across)
    wire = STEEL_60_KEV * np.max(
        [
            ellipsoid_chords(place.carm, cup.center_lps_mm + 18.0 * (np.cos(a) * across + np.sin(a) * other), (1, 1, 1))
            for a in ring
        ],
        axis=0,
    )
    found = measured(place, picture_of(place, 12, extra=holes + wire))
    assert found.verdict is not Verdict.FAILED
    assert is_near(found, place)


def test_a_rim_half_outside_the_field_is_doubted_in_words(place):
    picture = picture_of(place, 12)
    column = int(place.carm.project(place.cup.center_lps_mm)[0])
    usable = picture.usable.copy()
    usable[:, column:] = False
    found = measured(place, Radiograph(picture.attenuation, usable))
    assert found.verdict is not Verdict.CONVERGED
    assert any("outside" in note or "only" in note for note in found.notes)


def test_a_cup_of_which_the_field_shows_little_is_refused(place):
    picture = picture_of(place, 12)
    usable = picture.usable.copy()
    usable[:, int(place.carm.project(place.cup.center_lps_mm)[0]) - 60 :] = False
    with pytest.raises(InputError) as caught:
        measured(place, Radiograph(picture.attenuation, usable))
    assert caught.value.code == "cup-outside"
