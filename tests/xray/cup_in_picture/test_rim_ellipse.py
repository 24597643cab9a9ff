"""An ellipse through clicked points: exact ellipses, noise, one bad click, short arcs, and what is refused."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.cup_in_picture.rim_ellipse import _distances_and_slopes, fit_rim_ellipse, signed_distances
from cotyle.xray.ellipse import Ellipse
from hypothesis import given, settings
from hypothesis import strategies as st

RIM = Ellipse(np.array([210.0, 340.0]), 62.0, 17.0, 38.0)


def on(ellipse, turns_deg):
    turns = np.deg2rad(np.asarray(turns_deg, dtype=float))
    major = ellipse.major_direction
    minor = np.array([-major[1], major[0]])
    along, across = ellipse.semi_major * np.cos(turns), ellipse.semi_minor * np.sin(turns)
    return ellipse.center + np.outer(along, major) + np.outer(across, minor)


@settings(max_examples=25, deadline=None)
@given(
    ratio=st.floats(0.03, 0.97),
    angle=st.floats(0, 179.9),
    first=st.floats(0, 70),
    count=st.integers(5, 12),
)
def test_points_on_an_ellipse_give_that_ellipse(ratio, angle, first, count):
    true = Ellipse(np.array([-40.0, 95.0]), 50.0, 50.0 * ratio, angle)
    found = fit_rim_ellipse(on(true, first + np.linspace(0, 360, count, endpoint=False))).ellipse_px
    np.testing.assert_allclose(found.center, true.center, atol=1e-4)
    assert found.semi_major == pytest.approx(50.0, abs=1e-4)
    assert found.semi_minor == pytest.approx(50.0 * ratio, abs=1e-4)
    turned = (found.major_axis_angle_deg - angle + 90.0) % 180.0 - 90.0
    assert abs(turned) < 0.01


def test_the_distance_to_an_ellipse_is_the_least_distance_to_its_points():
    dense = on(RIM, np.linspace(0, 360, 40001))
    rng = np.random.default_rng(4)
    points = RIM.center + rng.uniform(-90, 90, (60, 2))
    brute = np.linalg.norm(points[:, None] - dense[None], axis=2).min(axis=1)
    # rows grow downwards, so the angle as the parameters count it is the ellipse's with the other sign
    given_as = np.array([*RIM.center, RIM.semi_major, RIM.semi_minor, -np.deg2rad(RIM.major_axis_angle_deg)])
    np.testing.assert_allclose(np.abs(signed_distances(given_as, points)), brute, atol=0.01)


def test_the_stated_deviations_are_those_of_many_fits():
    turns = np.arange(0, 360, 45.0)
    rng = np.random.default_rng(0)
    found = [fit_rim_ellipse(on(RIM, turns) + rng.normal(0, 1.0, (8, 2))) for _ in range(40)]
    values = np.array(
        [
            [*f.ellipse_px.center, f.ellipse_px.semi_major, f.ellipse_px.semi_minor, f.ellipse_px.major_axis_angle_deg]
            for f in found
        ]
    )
    values[:, 4] = np.deg2rad(values[:, 4])
    spread = np.median(np.abs(values - np.median(values, axis=0)), axis=0) * 1.4826
    stated = np.median([np.sqrt(np.diag(f.covariance)) for f in found], axis=0)
    assert ((stated > 0.6 * spread) & (stated < 1.7 * spread)).all()


def test_one_bad_click_among_eight_is_left_out_and_said():
    points = on(RIM, np.arange(0, 360, 45.0))
    points[2] += (9.0, 12.0)
    fit = fit_rim_ellipse(points)
    assert fit.dropped == (2,)
    assert any("left out" in doubt for doubt in fit.doubts)
    np.testing.assert_allclose(fit.ellipse_px.center, RIM.center, atol=0.05)
    assert fit.ellipse_px.semi_minor == pytest.approx(17.0, abs=0.05)


def test_points_on_one_side_only_are_known_to_tell_less():
    whole = fit_rim_ellipse(on(RIM, np.linspace(0, 315, 8)))
    side = fit_rim_ellipse(on(RIM, np.linspace(20, 110, 8)))
    assert any("deg of the rim only" in doubt for doubt in side.doubts)
    assert whole.doubts == ()
    assert (np.sqrt(np.diag(side.covariance))[:4] > 3 * np.sqrt(np.diag(whole.covariance))[:4]).all()


def test_what_is_no_ellipse_is_said_so():
    square = np.array([[0, 0], [60, 0], [120, 0], [120, 60], [120, 120], [60, 120], [0, 120], [0, 60]], dtype=float)
    assert any("may not be on one rim" in doubt for doubt in fit_rim_ellipse(square).doubts)


@pytest.mark.parametrize("count", [0, 1, 3, 4])
def test_fewer_than_five_points_are_refused_in_one_line(count):
    with pytest.raises(InputError) as caught:
        fit_rim_ellipse(on(RIM, np.linspace(0, 300, count)).reshape(count, 2))
    assert caught.value.code == "ellipse-too-few"
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("points", "code"),
    [
        ([(i, 2.0 * i) for i in range(6)], "ellipse-degenerate"),
        ([(5.0, 5.0)] * 7, "ellipse-too-few"),
        ([(0, 0), (1, 0), (2, 1), (np.nan, 3), (4, 4)], "not-finite"),
        ([(0, 0, 0)] * 5, "vector-shape"),
    ],
)
def test_points_that_make_no_ellipse_are_refused(points, code):
    with pytest.raises(InputError) as caught:
        fit_rim_ellipse(points)
    assert caught.value.code == code


def test_distances_change_with_the_ellipse_as_differences_of_them_do():
    rng = np.random.default_rng(1)
    points = RIM.center + rng.uniform(-90, 90, (40, 2))
    for values in (np.array([212.0, 338.0, 62.0, 17.0, -0.6]), np.array([208.0, 345.0, 20.0, 55.0, 1.1])):
        _, slopes = _distances_and_slopes(values, points)
        for index, step in enumerate(1e-5 * np.eye(5)):
            change = (signed_distances(values + step, points) - signed_distances(values - step, points)) / 2e-5
            np.testing.assert_allclose(slopes[:, index], change, atol=1e-3 * (1 + np.abs(change).max()))
