"""Pictures on a screen: polarity, scale, window, exposure and the round field."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.display import Display, Polarity, Scale, render, with_noise

RAMP = np.linspace(0.0, 4.0, 101).reshape(1, -1).repeat(3, axis=0)


def test_bone_is_light_on_one_polarity_and_dark_on_the_other():
    light = render(RAMP, Display(polarity=Polarity.BONE_LIGHT, window=(0.0, 4.0)))
    dark = render(RAMP, Display(polarity=Polarity.BONE_DARK, window=(0.0, 4.0)))
    assert light.dtype == np.uint8
    assert (light[0, 0], light[0, -1]) == (0, 255)
    assert (np.diff(light[0].astype(int)) >= 0).all()
    assert abs(light.astype(int) + dark - 255).max() <= 1


def test_the_log_scale_is_straight_in_the_line_integral_and_the_intensity_scale_in_the_beam():
    log = render(RAMP, Display(window=(0.0, 4.0)))
    assert log[0, 50] == pytest.approx(127.5, abs=1)
    beam = render(RAMP, Display(polarity=Polarity.BONE_DARK, scale=Scale.INTENSITY, window=(0.0, 40.0)))
    # Beer and Lambert: exp(-2) of the light at a line integral of 2
    assert beam[0, 50] == pytest.approx(255 * np.exp(-2.0), abs=1)


def test_beyond_the_window_grey_ends():
    picture = render(RAMP, Display(window=(1.0, 2.0)))
    assert (picture[0, RAMP[0] <= 1.0] == 0).all()
    assert (picture[0, RAMP[0] >= 2.0] == 255).all()


def test_noise_is_that_of_counted_photons_and_the_same_for_the_same_seed():
    # Poisson: a line integral p measured with N0 photons has the standard deviation exp(p / 2) / sqrt(N0)
    flat = np.full((200, 200), 2.0)
    noisy = with_noise(flat, 10_000.0, seed=3)
    assert noisy.std() == pytest.approx(np.exp(1.0) / 100.0, rel=0.03)
    assert noisy.mean() == pytest.approx(2.0, abs=5e-3)
    np.testing.assert_array_equal(noisy, with_noise(flat, 10_000.0, seed=3))
    assert (noisy != with_noise(flat, 10_000.0, seed=4)).any()


def test_a_pixel_without_photons_stays_finite():
    assert np.isfinite(with_noise(np.full((5, 5), 60.0), 100.0, seed=0)).all()


@pytest.mark.parametrize("polarity", Polarity)
def test_beyond_the_round_field_it_is_black(polarity):
    picture = render(np.full((40, 60), 1.0), Display(polarity, window=(0.0, 2.0), round_field=True))
    rows, columns = np.nonzero(picture)
    assert np.hypot(rows - 19.5, columns - 29.5).max() <= 20.0
    # the circle's share of the detector, within a pixel's width of its edge
    assert (picture > 0).sum() == pytest.approx(np.pi * 20**2, rel=0.03)


def test_the_window_follows_the_body_when_none_is_given():
    body = np.zeros((50, 50))
    body[10:40, 10:40] = np.linspace(2.0, 5.0, 30)
    picture = render(body)
    assert picture[25, 10] < 10
    assert picture[25, 39] > 245
    assert render(np.zeros((4, 4))).shape == (4, 4)


def test_what_makes_no_picture_is_refused():
    for values, display, code in (
        (RAMP, Display(window=(2.0, 2.0)), "window"),
        (RAMP, Display(window=(0.0, np.nan)), "window"),
        (RAMP, Display(photons_per_pixel=0.0), "exposure"),
        (np.array([[0.0, np.nan]]), None, "picture"),
        (np.zeros(4), None, "picture"),
    ):
        with pytest.raises(InputError) as caught:
            render(values, display)
        assert caught.value.code == code
