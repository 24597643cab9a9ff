"""Line integrals against closed forms: chords of ellipsoids and of a box."""

import numpy as np
import pytest
from cotyle.image.volume import Volume
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.xray.attenuation import attenuation_curve
from cotyle.xray.carm import CArm
from cotyle.xray.projector.reference import line_integrals
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.xray.projector.bodies import OBLIQUE, STRAIGHT, VIEWS, c_arm, ellipsoid_volume, exact_line_integrals

# the grid, and the median, 99th percentile and worst relative error of itk-rtk 2.7 (its Joseph filter, float32) on the
# same voxels in the three views: own run of that library, which has no sheared grids
GRIDS = {
    "isotropic": (
        (np.eye(3), (1.6, 1.6, 1.6)),
        ((3.41e-4, 1.47e-3, 2.82e-3), (9.69e-4, 3.96e-3, 6.25e-3), (6.15e-4, 2.60e-3, 3.77e-3)),
    ),
    "anisotropic": (
        (np.eye(3), (1.2, 1.2, 2.4)),
        ((4.97e-4, 2.01e-3, 3.83e-3), (1.06e-3, 6.28e-3, 8.00e-3), (9.25e-4, 3.30e-3, 5.13e-3)),
    ),
    "oblique and anisotropic": (
        (OBLIQUE, (1.2, 1.4, 2.0)),
        ((6.69e-4, 4.83e-3, 9.31e-3), (1.17e-3, 5.38e-3, 7.43e-3), (9.69e-4, 3.62e-3, 5.16e-3)),
    ),
    "sheared by a gantry of 20 deg": (
        (np.array([[1, 0, 0], [0, 1, np.sin(np.deg2rad(20))], [0, 0, np.cos(np.deg2rad(20))]]), (1.4, 1.4, 1.8)),
        ((1.17e-3, 6.28e-3, 9.31e-3),) * 3,
    ),
}


@pytest.mark.parametrize("name", GRIDS)
def test_integrals_through_ellipsoids_are_as_near_the_sum_of_chords_as_those_of_an_outside_projector(name):
    grid, bars = GRIDS[name]
    volume = ellipsoid_volume(*grid)
    for view, bar in zip(VIEWS, bars, strict=True):
        carm = c_arm(*view)
        exact, clear = exact_line_integrals(carm)
        seen = clear & (exact > 0.05 * exact.max())
        error = abs(line_integrals(volume, carm, STRAIGHT) - exact)[seen] / exact[seen]
        assert seen.sum() > 1000
        found = np.median(error), np.percentile(error, 99), error.max()
        assert (np.array(found) < 1.01 * np.array(bar)).all(), (view, found)


def test_the_error_falls_with_the_square_of_the_voxel_to_the_exact_integral_of_gaussian_bodies():
    carm = c_arm(20, 15, size=32)
    columns, rows = carm.size
    rays = carm.ray(np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2))
    exact = np.zeros(len(rays))
    for height, center, widths in GAUSSIANS:
        # a Gaussian's line integral: height sqrt(pi) / |w| exp(-(distance of the line in the scaled space)^2)
        start, way = (carm.source_lps_mm - center) / widths, rays / np.array(widths)
        length = np.linalg.norm(way, axis=1)
        apart = start @ start - (way @ start / length) ** 2
        exact += 2e-5 * height * np.sqrt(np.pi) / length * np.exp(-apart)
    exact = exact.reshape(rows, columns)
    coarse, fine = (line_integrals(smooth_blob(OBLIQUE, h), carm, STRAIGHT) for h in (4.0, 2.0))
    seen = exact > 0.05 * exact.max()
    assert np.median((abs(coarse - exact) / abs(fine - exact))[seen]) == pytest.approx(4.0, abs=0.4)
    # Richardson's step takes the second-order part away; what is left is rounding to whole HU
    assert abs((4 * fine - coarse) / 3 - exact)[seen].max() < 5e-4 * exact.max()


@given(
    axis=st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1),
    turn=st.floats(-180, 180),
    spacing=st.tuples(*[st.floats(0.5, 3)] * 3),
    shear=st.floats(-0.4, 0.4),
)
@settings(max_examples=25, deadline=None)
def test_a_uniform_box_gives_its_exact_chord_on_any_grid(axis, turn, spacing, shear):
    steps = rotation_matrix(axis, turn) @ np.array([[1, 0, 0], [0, 1, shear], [0, 0, 1]]) * spacing
    affine = np.eye(4)
    affine[:3, :3] = steps
    affine[:3, 3] = -steps @ [9.5, 7.0, 5.5]
    volume = Volume(np.full((12, 15, 20), 500, dtype=np.int16), affine)
    carm = c_arm(20, -15, size=12, isocenter=(3, -2, 4))
    ours = line_integrals(volume, carm, STRAIGHT)
    to_box = np.linalg.inv(steps)
    half = np.array([10.0, 7.5, 6.0])
    for row, column in np.ndindex(12, 12):
        ray = carm.ray((column, row))
        start, way = to_box @ carm.source_lps_mm, to_box @ ray
        # the slab test of a box
        t = np.sort(np.stack([(-half - start) / way, (half - start) / way]), axis=0)
        chord = max(t[1].min() - t[0].max(), 0.0)
        assert ours[row, column] == pytest.approx(0.03 * chord, rel=1e-5, abs=1e-4)


def test_each_voxel_counts_its_own_stretch_along_an_axis():
    # one column of voxels of 2 mm seen end-on: the integral is the sum of mu times 2 mm
    hu = np.array([0, 1000, -500, 2000], dtype=np.int16)
    affine = np.diag([50.0, 2.0, 50.0, 1.0])
    affine[1, 3] = -3.0
    carm = c_arm(0, 0, size=1)
    ours = line_integrals(Volume(hu.reshape(1, 4, 1), affine), carm, STRAIGHT)
    assert ours[0, 0] == pytest.approx(2.0 * 0.02 * (1 + 2 + 0.5 + 3), rel=1e-6)


def test_only_the_way_from_source_to_detector_counts():
    # water from -400 to +400 mm along the beam: the detector stands at 370 mm, the source outside at -650 mm
    affine = np.diag([100.0, 1.0, 100.0, 1.0])
    affine[:3, 3] = (0.0, -399.5, 0.0)
    volume = Volume(np.zeros((1, 800, 1), dtype=np.int16), affine)
    assert line_integrals(volume, c_arm(0, 0, size=1), STRAIGHT)[0, 0] == pytest.approx(0.02 * 770, rel=1e-6)


def test_air_beside_the_volume_and_air_in_it_count_nothing():
    volume = Volume(np.full((4, 5, 6), -1000, dtype=np.int16), np.eye(4))
    assert not line_integrals(volume, c_arm(10, 10, size=8)).any()


@given(turn=st.floats(-60, 60), shift=st.tuples(*[st.floats(-40, 40)] * 3))
@settings(max_examples=10, deadline=None)
def test_turning_the_patient_together_with_the_c_arm_leaves_the_picture(blob, turn, shift):
    rigid = rigid_matrix(rotation_matrix((0.3, 1, -0.5), turn), shift)
    carm = c_arm(15, 10, size=24)
    moved = Volume(blob.voxels, rigid @ blob.ijk_to_lps)
    np.testing.assert_allclose(
        line_integrals(moved, carm.moved(rigid), STRAIGHT), line_integrals(blob, carm, STRAIGHT), rtol=1e-4, atol=1e-5
    )


def test_a_mirrored_patient_gives_the_mirrored_picture(blob):
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    mirrored = Volume(blob.voxels, mirror @ blob.ijk_to_lps)
    picture = line_integrals(blob, c_arm(0, 0, size=33), STRAIGHT)
    np.testing.assert_allclose(
        line_integrals(mirrored, c_arm(0, 0, size=33), STRAIGHT), picture[:, ::-1], rtol=1e-4, atol=1e-5
    )
    assert abs(picture - picture[:, ::-1]).max() > 0.1


def test_the_order_of_the_voxels_in_memory_does_not_matter(blob):
    carm = c_arm(30, 20, size=24)
    picture = line_integrals(blob, carm, STRAIGHT)
    fortran = blob.with_voxels(np.asfortranarray(blob.voxels))
    flipped_affine = np.array(blob.ijk_to_lps)
    flipped_affine[:3, 0] *= -1
    flipped_affine[:3, 3] = blob.to_lps((blob.size[0] - 1, 0, 0))
    flipped = Volume(blob.voxels[:, :, ::-1], flipped_affine)
    floating = blob.with_voxels(blob.voxels.astype(np.float32))
    for other in (fortran, flipped, floating):
        np.testing.assert_allclose(line_integrals(other, carm, STRAIGHT), picture, rtol=1e-5, atol=1e-6)


def test_a_part_of_the_volume_that_holds_all_gives_the_same_picture(blob):
    carm = c_arm(-25, 15, size=24)
    cropped = blob.around(np.array([[-70, -60, -84], [70, 60, 84]]), 0.0)
    assert cropped.voxels.size < blob.voxels.size
    np.testing.assert_allclose(line_integrals(cropped, carm, STRAIGHT), line_integrals(blob, carm, STRAIGHT), atol=1e-4)


def test_a_resampled_volume_gives_the_same_picture():
    # the same smooth body on another grid; Joseph's and the grid's own error allow 0.5 % of the maximum
    carm = c_arm(0, 0, size=24)
    coarse = line_integrals(smooth_blob(np.eye(3), 2.0), carm, STRAIGHT)
    fine = line_integrals(smooth_blob(OBLIQUE, 1.5), carm, STRAIGHT)
    assert abs(coarse - fine).max() < 5e-3 * coarse.max()


def test_the_default_curve_is_the_one_of_cortical_bone_and_water():
    bone_hu = round(float(attenuation_curve().hu[2]))
    volume = Volume(np.full((1, 10, 1), bone_hu, dtype=np.int16), np.diag([50.0, 1.0, 50.0, 1.0]))
    # 10 mm of ICRU-44 cortical bone at 60 keV: 0.3148 cm2/g x 1.92 g/cm3 x 1 cm (NIST, table 4)
    assert line_integrals(volume, c_arm(0, 0, size=1))[0, 0] == pytest.approx(0.6044, rel=2e-3)


# height in HU above air, centre and widths in mm
GAUSSIANS = [(2000.0, (0.0, 0.0, 0.0), (25.0, 18.0, 30.0)), (1500.0, (25.0, -10.0, 20.0), (14.0, 15.0, 12.0))]


def smooth_blob(directions, spacing_mm):
    n = int(90 / spacing_mm)
    affine = np.eye(4)
    affine[:3, :3] = np.asarray(directions) * spacing_mm
    affine[:3, 3] = affine[:3, :3] @ np.full(3, -n)
    k, j, i = np.meshgrid(*[np.arange(2 * n + 1)] * 3, indexing="ij")
    x, y, z = np.moveaxis(np.stack([i, j, k], axis=-1) @ affine[:3, :3].T + affine[:3, 3], -1, 0)
    hu = np.full(x.shape, -1000.0)
    for height, (cx, cy, cz), (wx, wy, wz) in GAUSSIANS:
        hu += height * np.exp(-(((x - cx) / wx) ** 2) - ((y - cy) / wy) ** 2 - ((z - cz) / wz) ** 2)
    return Volume(np.rint(hu).astype(np.int16), affine)


@pytest.fixture(scope="module")
def blob():
    return smooth_blob(np.eye(3), 3.0)


def test_a_c_arm_can_be_frozen_in_a_value():
    carm = c_arm(0, 0)
    assert isinstance(carm, CArm)
    with pytest.raises(ValueError, match="read-only"):
        carm.source_lps_mm[0] = 1.0
