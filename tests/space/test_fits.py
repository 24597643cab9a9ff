"""Fits find the shape that made the points, and say when there is none."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.fits import fit_circle, fit_plane, fit_sphere, fit_sphere_robust
from cotyle.space.rotations import angle_between_deg
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.space.strategies import directions, points, rotations

# a lunate-like band of a sphere: between 25 and 80 degrees from the pole, three quarters of the way round
_POLAR, _AROUND = np.meshgrid(np.deg2rad(np.linspace(25, 80, 12)), np.deg2rad(np.linspace(-135, 135, 40)))
BAND = np.column_stack(
    [(np.sin(_POLAR) * np.cos(_AROUND)).ravel(), (np.sin(_POLAR) * np.sin(_AROUND)).ravel(), np.cos(_POLAR).ravel()]
)


@settings(max_examples=30, deadline=None)
@given(points, st.floats(15.0, 40.0), rotations)
def test_a_part_of_a_sphere_gives_the_sphere(center, radius, rotation):
    sphere, rms = fit_sphere(center + radius * BAND @ rotation.T)
    np.testing.assert_allclose(sphere.center_lps_mm, center, atol=1e-6)
    assert sphere.radius_mm == pytest.approx(radius, abs=1e-6)
    assert rms < 1e-6


def test_the_residual_is_the_noise_that_was_put_in():
    noise = np.random.default_rng(3).normal(0.0, 0.4, len(BAND))
    sphere, rms = fit_sphere((25.0 + noise)[:, None] * BAND + [10.0, 20.0, -30.0])
    assert rms == pytest.approx(0.4, rel=0.1)
    np.testing.assert_allclose(sphere.center_lps_mm, [10.0, 20.0, -30.0], atol=0.15)


def test_the_robust_fit_forgets_osteophytes_that_pull_the_plain_one():
    cloud = 25.0 * BAND
    spoiled = np.array(cloud)
    worst = np.arange(len(cloud)) % 5 == 0
    spoiled[worst & (cloud[:, 0] > 0)] *= 1.3
    plain, _ = fit_sphere(spoiled)
    robust, spread = fit_sphere_robust(spoiled)
    assert np.linalg.norm(plain.center_lps_mm) > 0.5
    assert np.linalg.norm(robust.center_lps_mm) < 0.1
    assert robust.radius_mm == pytest.approx(25.0, abs=0.1)
    assert spread < 0.1


@settings(max_examples=30, deadline=None)
@given(points, directions, st.floats(2.0, 40.0))
def test_a_circle_in_any_plane_is_found(center, normal, radius):
    u = np.cross(normal, [0.31, 0.77, -0.55])
    if np.linalg.norm(u) < 0.1:
        return
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    angle = np.deg2rad(np.arange(0, 200, 7.0))[:, None]
    circle = fit_circle(center + radius * (np.cos(angle) * u + np.sin(angle) * v))
    np.testing.assert_allclose(circle.center_lps_mm, center, atol=1e-5)
    assert circle.radius_mm == pytest.approx(radius, abs=1e-5)
    assert min(angle_between_deg(circle.normal_lps, normal), angle_between_deg(circle.normal_lps, -normal)) < 1e-4


@settings(max_examples=30, deadline=None)
@given(points, directions)
def test_a_plane_is_found_and_noise_across_it_averages_out(origin, normal):
    rng = np.random.default_rng(5)
    cloud = rng.normal(0.0, 30.0, (400, 3))
    cloud -= (cloud @ normal)[:, None] * normal
    plane = fit_plane(origin + cloud + rng.normal(0.0, 0.5, 400)[:, None] * normal)
    tilt = angle_between_deg(plane.normal_lps, normal)
    assert min(tilt, 180 - tilt) < 0.3
    assert abs(plane.signed_distance_mm(origin)) < 0.2


def test_too_few_points_and_flat_points_are_refused():
    line = np.outer(np.arange(5.0), [1.0, 2.0, 3.0])
    flat = np.column_stack([np.random.default_rng(0).normal(size=(20, 2)), np.zeros(20)])
    for fit, cloud, code in [
        (fit_plane, line[:2], "fit-too-few"),
        (fit_plane, line, "fit-degenerate"),
        (fit_circle, line, "fit-degenerate"),
        (fit_sphere, flat[:3], "fit-too-few"),
        (fit_sphere, flat, "fit-degenerate"),
        (fit_sphere_robust, flat, "fit-degenerate"),
    ]:
        with pytest.raises(InputError) as caught:
            fit(cloud)
        assert caught.value.code == code, fit.__name__
