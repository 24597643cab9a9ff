"""The cup in simulated pictures: how near, in which conditions, and what is refused or called doubtful."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.errors import InputError
from cotyle.space.arrays import unit
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side
from cotyle.xray.cup_in_picture.measure import measure_cup
from cotyle.xray.ellipse import project_circle, to_pixels
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.solids import shell_chords_mm
from cotyle.xray.verdict import Verdict

from tests.xray.cup_in_picture.simulated import (
    TITANIUM_60_KEV,
    ellipsoid_chords,
    picture_of,
    rod_chords,
    scene,
)

WINDOW = 300


def a_scene(seed, **kind):
    return scene(np.random.default_rng(seed), window=WINDOW, **kind)


def measured(scene, picture, **more):
    return measure_cup(picture, scene.carm, scene.cup.outer_diameter_mm, scene.planned, **more)


def errors(found, scene):
    """Inclination, anteversion (deg) and the distance of the centres in the picture's plane (mm)."""
    pair = [
        orientation_of_axis(axis, SCANNER, scene.cup.side, Definition.RADIOGRAPHIC)
        for axis in (found.rim.normal_lps, scene.cup.opening_axis_lps)
    ]
    off = found.rim.center_lps_mm - scene.cup.center_lps_mm
    ray = unit(scene.cup.center_lps_mm - scene.carm.source_lps_mm)
    return (
        abs(pair[0].inclination_deg - pair[1].inclination_deg),
        abs(pair[0].anteversion_deg - pair[1].anteversion_deg),
        float(np.linalg.norm(off - (off @ ray) * ray)),
    )


def test_a_shell_made_of_voxels_is_found_within_the_stated_medians():
    found = []
    for seed in (1, 3):
        place = a_scene(seed, anteversion=18.0 + seed)
        result = measured(place, picture_of(place, seed, voxels=True))
        assert result.verdict is not Verdict.FAILED
        assert result.support > 0.9
        found.append(errors(result, place))
    inclination, anteversion, across = np.mean(found, axis=0)
    assert inclination <= 0.3
    assert anteversion <= 0.5
    assert across <= 0.2


def test_an_impactor_a_head_and_a_stem_do_not_pull_the_rim():
    place = a_scene(5, anteversion=20.0)
    head = 0.8 * ellipsoid_chords(place.carm, place.cup.center_lps_mm, (16, 16, 16))
    for covering in (0.55 * rod_chords(place.carm, place.cup), head):
        result = measured(place, picture_of(place, 5, extra=covering))
        inclination, anteversion, across = errors(result, place)
        assert inclination < 1.0
        assert anteversion < 1.5
        assert across < 0.3


def test_a_screens_eight_bits_tell_the_same_as_line_integrals():
    place = a_scene(6, anteversion=15.0)
    shown = picture_of(place, 6, display=lambda v: np.round(255 * np.clip((v - 2.0) / 5.2, 0, 1)))
    first, second = measured(place, picture_of(place, 6)), measured(place, shown)
    assert angle_between_deg(first.rim.normal_lps, second.rim.normal_lps) < 0.5
    np.testing.assert_allclose(first.ellipse_px.center, second.ellipse_px.center, atol=0.3)


def test_a_mirrored_patient_has_the_mirrored_cup():
    place = a_scene(7, anteversion=20.0, side=Side.LEFT)
    picture = picture_of(place, 7)
    flip = np.array([-1.0, 1.0, 1.0])
    carm = place.carm
    last = np.array([carm.size[0] - 1.0, 0.0])
    mirrored_carm = replace(
        carm,
        source_lps_mm=flip * carm.source_lps_mm,
        detector_origin_lps_mm=flip * carm.pixel_to_lps(last),
        column_direction_lps=-flip * carm.column_direction_lps,
        row_direction_lps=flip * carm.row_direction_lps,
    )
    plan = place.planned
    mirrored_plan = Cup(Side.RIGHT, flip * plan.center_lps_mm, flip * plan.opening_axis_lps, plan.outer_diameter_mm)
    mirrored_picture = Radiograph(picture.attenuation[:, ::-1].copy(), picture.usable)
    one = measured(place, picture)
    other = measure_cup(mirrored_picture, mirrored_carm, place.cup.outer_diameter_mm, mirrored_plan)
    # pixels are put together from the other side, so that noise and edges fall differently
    np.testing.assert_allclose(flip * other.rim.normal_lps, one.rim.normal_lps, atol=8e-3)
    # most of it along the beam, where the centre is known to about 4 mm
    np.testing.assert_allclose(flip * other.rim.center_lps_mm, one.rim.center_lps_mm, atol=2.5)


def test_where_no_cup_is_there_is_no_number():
    place = a_scene(8)
    metal = TITANIUM_60_KEV * shell_chords_mm(place.carm, place.cup.rim, 4.0)
    result = measured(place, picture_of(place, 8, extra=-metal))
    assert result.verdict is Verdict.FAILED
    assert result.rim is None
    assert result.covariance is None
    assert len(result.notes) == 1


def test_a_black_picture_is_no_cup():
    place = a_scene(8)
    empty = np.zeros(place.carm.size[::-1], dtype=np.float32)
    result = measured(place, Radiograph(empty, np.ones(empty.shape, dtype=bool)))
    assert result.verdict is Verdict.FAILED


def test_a_diameter_that_does_not_suit_the_picture_is_doubted():
    place = a_scene(9, anteversion=22.0, off_mm=1.0)
    picture = picture_of(place, 9)
    wrong = measure_cup(picture, place.carm, place.cup.outer_diameter_mm + 3.0, place.planned)
    assert wrong.verdict is Verdict.DOUBTFUL
    assert any("check diameter" in note for note in wrong.notes)


def test_clicked_points_start_the_fit_and_stand_alone_where_it_fails():
    place = a_scene(10, anteversion=22.0)
    rim = to_pixels(project_circle(place.carm, place.cup.rim), place.carm)
    clicks = rim.points(9)[:-1] + np.random.default_rng(0).normal(0, 0.8, (8, 2))
    found = measured(place, picture_of(place, 10), clicked_px=clicks)
    assert max(errors(found, place)) < 1.0
    metal = TITANIUM_60_KEV * shell_chords_mm(place.carm, place.cup.rim, 4.0)
    alone = measured(place, picture_of(place, 10, extra=-metal), clicked_px=clicks)
    assert alone.verdict is Verdict.DOUBTFUL
    assert any("clicked points alone" in note for note in alone.notes)
    assert angle_between_deg(alone.rim.normal_lps, place.cup.opening_axis_lps) < 6.0
    assert alone.taken.axis_deviation_deg > found.taken.axis_deviation_deg


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"diameter": 20.0}, "cup-size"),
        ({"clicks": [(1, 1), (2, 5), (9, 4)]}, "ellipse-too-few"),
        ({"away": 400.0}, "cup-outside"),
        ({"smaller": True}, "picture-pose"),
    ],
)
def test_what_cannot_be_measured_is_refused_in_one_line(change, code):
    place = a_scene(11)
    values = np.ones(place.carm.size[::-1], dtype=np.float32)
    if "smaller" in change:
        values = values[1:]
    plan = place.planned.moved((change.get("away", 0.0), 0.0, 0.0))
    with pytest.raises(InputError) as caught:
        measure_cup(
            Radiograph(values, np.ones(values.shape, dtype=bool)),
            place.carm,
            change.get("diameter", 52.0),
            plan,
            clicked_px=change.get("clicks"),
        )
    assert caught.value.code == code
    assert "\n" not in str(caught.value)
