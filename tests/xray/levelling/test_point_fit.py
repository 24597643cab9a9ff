"""The least squares behind a pose from clicks: slopes against differences, and a pose that must come back."""

import numpy as np
import pytest
from cotyle.xray.levelling.point_fit import (
    Prior,
    Sighting,
    _local_jacobian,
    _to_local,
    fit_pose,
    huber,
    whitened_residuals,
    whitenings,
)
from cotyle.xray.registration.motion import Handle

from tests.xray.levelling.clicked_pelves import nominal, pelvis

KNOWN = pelvis(1)
NOMINAL = nominal(KNOWN)
HANDLE = Handle(KNOWN.landmarks["hip_center_left"].lps_mm, np.eye(3))
MOTION = np.array([6.0, -4.0, 3.0, 12.0, -8.0, 20.0])


def sightings(unknowns, sd_mm=0.5):
    """Clicks without error on the picture of a moved C-arm, of six landmarks; the last counts across only."""
    carm = HANDLE.moved(NOMINAL, unknowns[:6])
    names = ["teardrop_left", "teardrop_right", "hip_center_left", "hip_center_right", "symphysis", "asis_left"]
    found = []
    for name in names:
        place = KNOWN.landmarks[name].lps_mm
        pixel = carm.project(place)
        if len(unknowns) > 6:
            pixel = NOMINAL.center_px + np.exp(unknowns[6]) * (pixel - NOMINAL.center_px) + unknowns[7:]
        across = np.array([0.6, 0.8]) if name == "asis_left" else None
        found.append(Sighting(name, pixel, place, np.eye(3) * sd_mm**2, np.array([2.0, 2.0]), across))
    return found


@pytest.mark.parametrize("extra", [[], [0.05, 7.0, -4.0]], ids=["known machine", "assumed machine"])
def test_slopes_are_those_of_differences(extra):
    seen = sightings(MOTION)
    at = np.concatenate([MOTION * 0.5, extra])
    weights = whitenings(seen, NOMINAL)

    def residual(unknowns):
        return whitened_residuals(weights, NOMINAL.center_px, unknowns, HANDLE.moved(NOMINAL, unknowns[:6]), seen)

    carm = HANDLE.moved(NOMINAL, at[:6])
    found = _local_jacobian(weights, NOMINAL.center_px, HANDLE, at, carm, seen) @ _to_local(at)
    for column in range(len(at)):
        step = np.zeros(len(at))
        step[column] = 1e-4
        expected = (residual(at + step) - residual(at - step)) / 2e-4
        np.testing.assert_allclose(found[:, :, column], expected, rtol=1e-5, atol=1e-6)


def test_clicks_without_error_bring_the_pose_back_as_far_as_the_prior_lets_them():
    seen = sightings(MOTION, sd_mm=1e-3)
    wide = Prior(turn_deg=1e4, shift_mm=1e5)
    fit = fit_pose(lambda _: seen, NOMINAL, HANDLE, wide, np.zeros(6), robust=False)
    np.testing.assert_allclose(fit.unknowns, MOTION, atol=1e-3)
    np.testing.assert_allclose(
        fit.carm.projection_matrix, HANDLE.moved(NOMINAL, MOTION).projection_matrix, rtol=1e-3, atol=1e-3
    )


def test_without_information_the_prior_remains():
    seen = sightings(np.zeros(6), sd_mm=1e6)
    fit = fit_pose(lambda _: seen, NOMINAL, HANDLE, Prior(), np.zeros(6), robust=False)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), [15.0] * 3 + [40.0] * 3, rtol=1e-3)


def test_the_residuals_of_drawn_clicks_have_unit_variance():
    rng = np.random.default_rng(3)
    seen = sightings(MOTION, sd_mm=1.5)
    carm = HANDLE.moved(NOMINAL, MOTION)
    weights = whitenings(seen, carm)
    drawn = []
    for _ in range(400):
        moved = [
            Sighting(
                each.name,
                carm.project(each.lps_mm + rng.standard_normal(3) * 1.5) + rng.standard_normal(2) * 2.0,
                each.lps_mm,
                each.covariance_mm2,
                each.click_sd_px,
                each.across,
            )
            for each in seen
        ]
        drawn.append(whitened_residuals(weights, NOMINAL.center_px, MOTION, carm, moved))
    # 400 draws: the SD of a variance is 7 %
    np.testing.assert_allclose(np.var(drawn, axis=0)[:5], 1.0, atol=0.3)
    assert np.var(drawn, axis=0)[5, 0] == pytest.approx(1.0, abs=0.3)
    assert np.var(drawn, axis=0)[5, 1] == 0.0


def test_hubers_loss_is_the_square_up_to_two_and_then_a_line():
    # Huber PJ, Robust estimation of a location parameter, Ann Math Stat 1964;35:73-101
    np.testing.assert_allclose(huber(np.array([1.0, 4.0, 9.0, 25.0])), [1.0, 4.0, 8.0, 16.0])
