"""What the points of an outline say of a fit: an outline that lies right, one beside it, one half covered."""

import numpy as np
import pytest
from cotyle.xray.cup_in_picture.outline_support import outline_support
from cotyle.xray.cup_in_picture.patch import cut_out
from cotyle.xray.cup_in_picture.shell_fit import fit_shell
from cotyle.xray.cup_in_picture.shell_picture import first_state
from cotyle.xray.pictures.radiograph import Radiograph

from tests.xray.cup_in_picture.simulated import ellipsoid_chords, picture_of, scene


@pytest.fixture(scope="module")
def fitted():
    place = scene(np.random.default_rng(41), anteversion=20.0, window=260)
    picture = picture_of(place, 41)
    patch = cut(place, picture)
    start = first_state(patch, place.cup.rim, 4.0)
    return place, picture, patch, fit_shell(patch, start, patch.usable, 15)


def cut(place, picture):
    per_mm = place.carm.magnification(place.cup.center_lps_mm) / place.carm.pixel_pitch_mm[0]
    half = (place.cup.radius_mm + 8.0) * per_mm
    return cut_out(picture, place.carm, place.carm.project(place.cup.center_lps_mm), half, 1)


def test_a_fit_that_lies_right_is_borne_out_all_round(fitted):
    _, _, patch, fit = fitted
    support = outline_support(patch, fit)
    assert support.share > 0.95
    assert support.residual_mm < 0.1
    assert support.step_in_noise > 10
    assert support.seen.all()


def test_a_picture_shifted_under_the_fit_is_off_that_way(fitted):
    place, picture, patch, fit = fitted
    one_pixel_mm = patch.carm.pixel_pitch_mm[0] / patch.carm.magnification(place.cup.center_lps_mm)
    moved = Radiograph(np.roll(picture.attenuation, 1, axis=1), picture.usable)
    support = outline_support(cut(place, moved), fit)
    # edges to the right lie one pixel further out, those to the left one pixel further in
    to_right = support.points[:, 0] - support.points[:, 0].mean()
    far = np.abs(to_right) > 0.9 * np.abs(to_right).max()
    off = support.off_mm[far] * np.sign(to_right[far])
    # to first order in a sharp edge: a whole pixel is understated
    assert 0.4 * one_pixel_mm < np.nanmedian(off) < 1.1 * one_pixel_mm


def test_what_covers_part_of_the_outline_takes_that_part_of_the_support(fitted):
    place, picture, _, fit = fitted
    rim_point = place.cup.center_lps_mm - place.cup.radius_mm * np.array([0.0, 0.0, -1.0])
    blob = 5.0 * ellipsoid_chords(place.carm, rim_point, (14, 14, 14))
    covered = Radiograph((picture.attenuation + blob).astype(np.float32), picture.usable)
    support = outline_support(cut(place, covered), fit)
    assert 0.5 < support.share < 0.93


def test_a_part_beyond_the_field_is_not_seen(fitted):
    place, picture, _, fit = fitted
    usable = picture.usable.copy()
    usable[:, : int(place.carm.project(place.cup.center_lps_mm)[0]) - 20] = False
    support = outline_support(cut(place, Radiograph(picture.attenuation, usable)), fit)
    assert 0.3 < support.seen.mean() < 0.9
    assert support.share <= support.seen.mean()


def test_nothing_behind_a_fit_gives_no_support(fitted):
    place, picture, _, fit = fitted
    flat = Radiograph(
        np.random.default_rng(0).normal(5, 0.2, picture.attenuation.shape).astype(np.float32), picture.usable
    )
    support = outline_support(cut(place, flat), fit)
    assert support.share < 0.2
