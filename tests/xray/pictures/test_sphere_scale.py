"""The scale from a sphere against the exact projection of spheres, which is tested against closed forms."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle, Sphere
from cotyle.xray.carm import from_positioner
from cotyle.xray.ellipse import project_circle, project_sphere, to_pixels
from cotyle.xray.pictures.sphere_scale import scale_from_sphere
from hypothesis import given, settings
from hypothesis import strategies as st


def c_arm(pitch=0.4, size=768, detector=1000.0, isocenter=700.0):
    return from_positioner(
        (0, 0, 0),
        10,
        -5,
        frame=SCANNER,
        source_detector_mm=detector,
        source_isocenter_mm=isocenter,
        pixel_pitch_mm=(pitch, pitch),
        size=(size, size),
    )


def seen(carm, radius=18.0, aside=(0.0, 0.0), deeper=0.0):
    """Outline in px and depth of a sphere off the central ray and off the isocentre."""
    center = aside[0] * carm.column_direction_lps + aside[1] * carm.row_direction_lps + deeper * carm.normal_lps
    sphere = Sphere(center, radius)
    return to_pixels(project_sphere(carm, sphere), carm), float(carm.depth_mm(center))


offsets = st.floats(-90.0, 90.0)


@given(offsets, offsets, st.floats(-60.0, 60.0), st.floats(8.0, 35.0), st.floats(0.15, 0.6))
@settings(max_examples=40, deadline=None)
def test_an_ellipse_gives_the_pitch_back_wherever_the_sphere_lies(across, along, deeper, radius, pitch):
    carm = c_arm(pitch)
    outline, depth = seen(carm, radius, (across, along), deeper)
    scale = scale_from_sphere(outline, 2 * radius, 1000.0, depth)
    assert scale.pixel_pitch_mm == pytest.approx(pitch, rel=1e-9)
    assert scale.at_sphere_mm == pytest.approx(pitch * depth / 1000.0, rel=1e-9)


@given(offsets, offsets, st.floats(0.0, 360.0), st.floats(150.0, 360.0))
@settings(max_examples=25, deadline=None)
def test_points_on_a_part_of_the_outline_give_it_back_too(across, along, start, turn):
    carm = c_arm()
    outline, depth = seen(carm, 16.0, (across, along))
    points = outline.points(361)[np.unique((np.arange(start, start + turn, 15.0) % 360).astype(int))]
    scale = scale_from_sphere(points, 32.0, 1000.0, depth, carm.principal_point_px, outline_sd_px=0.5)
    assert scale.pixel_pitch_mm == pytest.approx(0.4, rel=1e-5)
    assert scale.residual_px == pytest.approx(0.0, abs=1e-3)


def test_its_deviation_covers_the_error_of_noisy_clicks():
    carm, rng, off, stated = c_arm(), np.random.default_rng(0), [], []
    outline, depth = seen(carm, 16.0, (60.0, -30.0))
    for _ in range(120):
        points = outline.points(9)[:-1] + rng.normal(0.0, 1.0, (8, 2))
        scale = scale_from_sphere(points, 32.0, 1000.0, depth, carm.principal_point_px, distances_sd_mm=(0, 0))
        off.append(scale.pixel_pitch_mm - 0.4)
        stated.append(scale.pixel_pitch_sd_mm)
    share = np.mean(np.abs(off) < 1.96 * np.array(stated))
    assert 0.90 <= share <= 1.0
    assert np.std(off) == pytest.approx(np.mean(stated), rel=0.3)


def test_a_wrong_height_of_the_hip_is_in_the_deviation_of_the_pitch_and_not_of_the_scale_at_the_sphere():
    carm = c_arm()
    outline, depth = seen(carm)
    scale = scale_from_sphere(outline, 36.0, 1000.0, depth - 30.0, outline_sd_px=0.2)
    assert abs(scale.pixel_pitch_mm - 0.4) < 1.5 * scale.pixel_pitch_sd_mm
    assert abs(scale.pixel_pitch_mm - 0.4) > 0.04 * 0.4  # 30 of 700 mm
    assert scale.at_sphere_mm == pytest.approx(0.28, rel=1e-3)
    assert scale.at_sphere_sd_mm < 0.01 * scale.at_sphere_mm
    assert any("30" in sentence for sentence in scale.rests_on)


def test_a_magnification_of_a_film_is_that_of_the_closed_form():
    # M = SID/(SID - OID): SID 1150, OID 150 gives 1.150 (arithmetic); a 28 mm head is then 32.2 mm wide on the
    # detector, a little more for its thickness
    outline, _ = seen(c_arm(0.15, 2048, 1150.0, 1000.0), 14.0)
    scale = scale_from_sphere(outline, 28.0, 1150.0, 1000.0)
    assert 2 * outline.semi_minor * scale.pixel_pitch_mm == pytest.approx(28 * 1.15, rel=2e-4)


@pytest.mark.parametrize(
    ("points", "code"),
    [
        ([(0, 0), (1, 1)], "sphere-points"),
        ([(0, 0), (1, 1), (np.nan, 2)], "sphere-points"),
        ([(0, 0), (1, 1), (2, 2), (3, 3)], "sphere-arc"),
        ([(100 + 50 * np.cos(t), 100 + 50 * np.sin(t)) for t in np.radians([0, 8, 16, 24])], "sphere-arc"),
        ([(0, 0), (100, 0), (100, 300), (0, 300), (50, 150)], "sphere-outline"),
    ],
)
def test_points_that_tell_no_sphere_are_refused(points, code):
    with pytest.raises(InputError) as error:
        scale_from_sphere(points, 28.0, 1000.0, 700.0)
    assert error.value.code == code
    assert "\n" not in str(error.value)


def test_a_rim_is_no_sphere_and_impossible_lengths_are_refused():
    carm = c_arm()
    rim = to_pixels(project_circle(carm, Circle(np.zeros(3), np.array([0.6, -0.3, -0.7]), 26.0)), carm)
    outline, depth = seen(carm)
    for arguments, code in (
        ((rim, 52.0, 1000.0, 700.0), "sphere-outline"),
        ((outline, 0.0, 1000.0, depth), "sphere-diameter"),
        ((outline, float("nan"), 1000.0, depth), "sphere-diameter"),
        ((outline, 36.0, 700.0, 1000.0), "sphere-distance"),
    ):
        with pytest.raises(InputError) as error:
            scale_from_sphere(*arguments)
        assert error.value.code == code
