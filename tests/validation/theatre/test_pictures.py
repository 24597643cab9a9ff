"""What beam, detector and screen do to a picture, and its file."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.views import ViewName

from tests.validation.theatre.effects import (
    Physics,
    Screen,
    attenuation_of,
    counted,
    field_mask,
    hardened,
    retractor_shadows,
    shown,
)
from tests.validation.theatre.pairs import camera_axes, stated_at_truth
from tests.validation.theatre.picture import Contents, Pairing, TheatrePicture, read_picture, write_picture
from tests.validation.theatre.scene import Tool
from tests.validation.theatre.shots import stated
from tests.validation.theatre.wrong import black, mirrored


def test_hardening_is_a_square_at_first_and_never_turns_back():
    p = np.linspace(0.0, 60.0, 601)
    assert hardened(p[:10], 0.03) == pytest.approx(p[:10] - 0.03 * p[:10] ** 2, abs=1e-3)
    assert (np.diff(hardened(p, 0.03)) > 0).all()
    assert hardened(p, 0.0) is p


def test_counted_photons_have_the_mean_and_spread_of_poisson():
    integrals = np.full((300, 300), 2.0)
    physics = Physics(hardening=0.0, blur_mm=0.0, scatter=0.0, body_photons=200.0)
    counts = counted(integrals, 0.4, physics, np.random.default_rng(1))
    # exposure: 3000 photons of the open beam make 406 behind the body, more than the 200 asked for
    photons = counts * 3000.0
    assert photons.mean() == pytest.approx(3000.0 * np.exp(-2.0), rel=3e-3)
    assert photons.var() == pytest.approx(photons.mean(), rel=0.03)
    # behind 6 mean free paths 3000 would leave 7; the exposure is raised to 200
    dense = counted(np.full((300, 300), 6.0), 0.4, physics, np.random.default_rng(1))
    assert (dense.mean() / dense.std()) ** 2 == pytest.approx(200.0, rel=0.03)


def test_scatter_adds_its_share_and_no_edges():
    integrals = np.full((160, 160), 2.0)
    integrals[:, 80:] = 3.0
    plain = Physics(hardening=0.0, blur_mm=0.0, scatter=0.0, body_photons=1e7)
    foggy = Physics(hardening=0.0, blur_mm=0.0, scatter=0.3, body_photons=1e7)
    fog = counted(integrals, 0.4, foggy, np.random.default_rng(1)) - counted(
        integrals, 0.4, plain, np.random.default_rng(2)
    )
    assert fog.mean() == pytest.approx(0.3 * np.exp(-integrals).mean(), rel=0.02)
    step = np.exp(-2.0) - np.exp(-3.0)
    assert abs(fog[:, 79].mean() - fog[:, 81].mean()) < 0.02 * step


@pytest.mark.parametrize("bits", [8, 12])
@pytest.mark.parametrize("bone_light", [True, False])
@pytest.mark.parametrize("logarithm", [True, False])
def test_more_matter_is_never_shown_as_less(bits, bone_light, logarithm):
    integrals = np.linspace(0.5, 6.0, 80 * 80).reshape(80, 80)
    field = field_mask((80, 80), True)
    screen = Screen(logarithm=logarithm, exponent=1.2, bits=bits, bone_light=bone_light)
    grey = shown(np.exp(-integrals), field, screen)
    assert grey.max() <= 2**bits - 1
    assert not grey[~field].any()
    attenuation = attenuation_of(grey, field, screen)
    assert attenuation.min() >= 0
    assert attenuation.max() <= 1
    inside = attenuation[field]
    assert (np.diff(inside) >= -1e-6).all()
    assert inside[-1] - inside[0] > 0.9


def test_the_round_field_touches_the_edges():
    field = field_mask((101, 101), True)
    assert field[50].sum() >= 98
    assert not field[0, 0]
    assert field.sum() == pytest.approx(np.pi * 49.5**2, rel=0.01)


def test_a_retractor_is_a_bar_of_10_to_15_mm_that_ends_before_the_hip():
    per_mm = 3.0
    shadow = retractor_shadows((600, 600), np.array([300.0, 300.0]), per_mm, 1, np.random.default_rng(5))
    assert 1.5 < shadow.max() < 5.0
    down, across = np.mgrid[:600, :600]
    apart = np.hypot(down - 300, across - 300) / per_mm
    dark = shadow > 0.5 * shadow.max()
    assert apart[dark].min() > 25.0 - 8.0
    # bars cross a circle round the hip over their width, a bent one aslant
    ring = dark & (abs(apart - 80.0) < 0.5)
    assert 9.0 < ring.sum() / per_mm**2 < 30.0


@pytest.fixture
def picture():
    carm = from_positioner(
        (-80.0, 0.0, -200.0),
        10.0,
        5.0,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=680,
        pixel_pitch_mm=(2.0, 2.0),
        size=(150, 150),
    )
    rng = np.random.default_rng(3)
    usable = field_mask((150, 150), True)
    return TheatrePicture(
        name="A00-ap_hip",
        subject="A",
        side=Side.RIGHT,
        view=ViewName.AP_HIP,
        angle_deg=None,
        grey=(rng.integers(0, 4095, (150, 150)) * usable).astype(np.uint16),
        usable=usable,
        true_carm=carm,
        nominal_carm=stated(carm, 1.03).moved(np.array([[1, 0, 0, 7], [0, 1, 0, 3], [0, 0, 1, 0], [0, 0, 0, 1.0]])),
        source_isocenter_mm=680.0,
        hip_lps_mm=np.array([-80.0, 0.0, -200.0]),
        cup=Cup(Side.RIGHT, (-80.0, 1.0, -201.0), (-0.6, -0.3, -0.74), 52.0),
        contents=Contents(Tool.CUP, 1, True, 55.0, Physics(), Screen(bits=12, bone_light=False), 1.03),
        seed=7,
        lie_deg=4.0,
        pairing=Pairing("pair", 1, tuple(tuple(row) for row in np.eye(4).tolist())),
    )


def test_a_picture_comes_back_from_its_file_as_it_was(picture, tmp_path):
    back = read_picture(write_picture(picture, tmp_path))
    assert np.array_equal(back.grey, picture.grey)
    assert np.array_equal(back.usable, picture.usable)
    assert back.contents == picture.contents
    assert back.pairing == picture.pairing
    for mine, own in ((back.true_carm, picture.true_carm), (back.nominal_carm, picture.nominal_carm)):
        assert np.array_equal(mine.projection_matrix, own.projection_matrix)
    assert back.cup.opening_axis_lps == pytest.approx(picture.cup.opening_axis_lps, abs=1e-15)
    assert (back.view, back.side, back.seed, back.wrong) == (picture.view, picture.side, 7, "")


def test_a_picture_tells_the_stated_machine_and_not_the_true_one(picture):
    known = picture.radiograph.geometry
    assert known.pixel_pitch_mm == pytest.approx((2.06, 2.06))
    assert known.primary_deg is None
    assert picture.radiograph.attenuation.max() <= 1
    assert not picture.depth_is_judged


def test_the_stated_machine_at_the_true_place_keeps_its_own_pitch(picture):
    carm = stated_at_truth(picture)
    assert camera_axes(carm) == pytest.approx(camera_axes(picture.true_carm), abs=1e-9)
    assert carm.pixel_pitch_mm == pytest.approx((2.06, 2.06))


def test_a_picture_scaled_down_shows_the_same_place_at_the_same_place(picture):
    small = picture.scaled_down(3)
    assert small.grey.shape == (50, 50)
    at, before = (each.true_carm.project(each.hip_lps_mm) for each in (small, picture))
    assert (at + 0.5) * 3 - 0.5 == pytest.approx(before)


def test_a_mirrored_picture_is_mirrored_and_said_to_be_wrong(picture):
    other = mirrored(picture)
    assert other.wrong
    assert np.array_equal(other.grey[:, ::-1], picture.grey)
    assert other.nominal_carm is picture.nominal_carm


def test_a_black_picture_shows_nothing_but_noise(picture):
    dark = black(picture)
    assert dark.wrong
    assert dark.grey.max() < 0.1 * 4095


def test_in_the_fresh_set_the_field_is_found_and_black_outside_it_is_not_taken_out(picture):
    fresh = replace(picture, subject="N", contents=replace(picture.contents, screen=Screen(bits=12, bone_light=True)))
    told, found = replace(fresh, subject="A").radiograph, fresh.radiograph
    assert np.array_equal(told.usable, picture.usable)
    assert not np.array_equal(found.usable, picture.usable)
    # a round field of noise on black: what is found lies within it
    assert found.usable.any()
    assert not (found.usable & ~picture.usable).any()
    dark = replace(fresh, contents=picture.contents)
    assert dark.radiograph.attenuation[~picture.usable].min() == 1.0
