"""The one call in front of the projectors, against the readable reference, which is tested against closed forms."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.xray.projector.attenuation_grid import attenuation_grid
from cotyle.xray.projector.line_integrals import (
    line_integrals_moved,
    line_integrals_of,
    prepare,
    warm_up,
)
from cotyle.xray.projector.packed_volume import Precision
from cotyle.xray.projector.reference import line_integrals
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.xray.projector.bodies import OBLIQUE, STRAIGHT, VIEWS, c_arm, ellipsoid_volume


@pytest.fixture(scope="module", params=["upright", "oblique"])
def body(request):
    return ellipsoid_volume(np.eye(3) if request.param == "upright" else OBLIQUE, (2.0, 2.0, 2.4))


@pytest.fixture(scope="module")
def small_body():
    return ellipsoid_volume(OBLIQUE, (4.0, 4.0, 5.0))


@pytest.fixture(scope="module")
def small_ready(small_body):
    return prepare(small_body, STRAIGHT)


def relative(picture, exact):
    seen = exact > 0.05 * exact.max()
    return np.abs(picture - exact)[seen] / exact[seen]


@pytest.mark.parametrize("view", [*VIEWS, (45, 0), (-135, 40), (0, 90)])
def test_sixteen_bits_give_the_integrals_of_the_reference_in_every_ray(body, view):
    carm = c_arm(*view, size=75)
    off = relative(line_integrals_of(prepare(body, STRAIGHT), carm), line_integrals(body, carm, STRAIGHT))
    assert np.median(off) < 2e-6
    assert off.max() < 1e-4


@pytest.mark.parametrize("view", VIEWS[:2])
def test_eight_bits_are_as_near_as_rounding_lets_them(body, view):
    carm = c_arm(*view, size=75)
    ready = prepare(body, STRAIGHT, Precision.FAST)
    off = relative(line_integrals_of(ready, carm), line_integrals(body, carm, STRAIGHT))
    assert np.median(off) < 5e-4
    assert np.percentile(off, 99) < 5e-3
    assert len(ready.packings) == 1


@given(primary=st.floats(-180, 180), secondary=st.floats(-90, 90), shift=st.tuples(*[st.floats(-90, 90)] * 3))
@settings(max_examples=40, deadline=None)
def test_any_view_gives_what_the_reference_gives(small_body, small_ready, primary, secondary, shift):
    carm = c_arm(primary, secondary, size=20, isocenter=shift)
    exact = line_integrals(small_body, carm, STRAIGHT)
    np.testing.assert_allclose(line_integrals_of(small_ready, carm), exact, rtol=1e-4, atol=2e-5)


@given(
    primary=st.floats(-180, 180),
    secondary=st.floats(-90, 90),
    spacing=st.tuples(*[st.floats(0.5, 12)] * 3),
    shear=st.floats(-0.4, 0.4),
    size=st.integers(1, 40),
)
@settings(max_examples=60, deadline=None)
def test_thick_slices_and_tilted_gantries_give_what_the_reference_gives(primary, secondary, spacing, shear, size):
    steps = np.array([[1, 0, 0], [0, 1, shear], [0, 0, 1]]) * spacing
    affine = np.eye(4)
    affine[:3, :3] = steps
    affine[:3, 3] = -steps @ [7.5, 9.0, 6.0]
    hu = np.random.default_rng(size).integers(-1000, 1500, (13, 19, 16)).astype(np.int16)
    volume = Volume(hu, affine)
    carm = c_arm(primary, secondary, size=size)
    exact = line_integrals(volume, carm, STRAIGHT)
    picture = line_integrals_of(prepare(volume, STRAIGHT), carm)
    np.testing.assert_allclose(picture, exact, rtol=1e-4, atol=1e-4 * max(float(exact.max()), 1e-3))


def test_rays_that_run_exactly_between_two_axes_are_counted_once():
    volume = Volume(np.full((30, 30, 30), 1000, dtype=np.int16), np.eye(4))
    carm = c_arm(45, 0, size=9, isocenter=(14.5, 14.5, 14.5))
    exact = line_integrals(volume, carm, STRAIGHT)
    np.testing.assert_allclose(line_integrals_of(prepare(volume, STRAIGHT), carm), exact, rtol=1e-5, atol=1e-6)


def test_the_ends_of_a_volume_count_half_a_voxel_beyond_the_last_centre():
    volume = Volume(np.full((9, 11, 13), 500, dtype=np.int16), np.diag([4.0, 5.0, 6.0, 1.0]))
    carm = c_arm(15, 10, size=64, isocenter=(24, 25, 24))
    picture = line_integrals_of(prepare(volume, STRAIGHT), carm)
    np.testing.assert_allclose(picture, line_integrals(volume, carm, STRAIGHT), atol=1e-5)


def test_a_source_within_the_volume_sees_what_lies_before_it():
    volume = Volume(np.full((20, 40, 20), 0, dtype=np.int16), np.diag([20.0, 20.0, 20.0, 1.0]))
    carm = c_arm(0, 0, size=40, isocenter=(190, 0, 190))
    picture = line_integrals_of(prepare(volume, STRAIGHT), carm)
    np.testing.assert_allclose(picture, line_integrals(volume, carm, STRAIGHT), rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("precision", list(Precision))
def test_bone_alone_is_the_volume_with_all_else_made_air(body, precision):
    carm = c_arm(20, 10, size=60)
    bone = body.with_voxels(np.where(body.voxels < 300, -1000, body.voxels).astype(np.int16))
    ready = prepare(body, STRAIGHT, precision, bone_above_hu=300.0)
    whole = line_integrals_of(prepare(bone, STRAIGHT, precision), carm)
    np.testing.assert_allclose(line_integrals_of(ready, carm), whole, atol=1e-5)


def test_a_mask_leaves_what_it_holds_and_its_box(body):
    k, j, i = np.indices(body.voxels.shape)
    mask = (i > j) & (k > 0.4 * k.max()) & (k < 0.7 * k.max())
    carm = c_arm(20, 10, size=60)
    kept = body.with_voxels(np.where(mask, body.voxels, -1000).astype(np.int16))
    ready = prepare(body, STRAIGHT, within=mask)
    np.testing.assert_allclose(line_integrals_of(ready, carm), line_integrals(kept, carm, STRAIGHT), atol=1e-4)
    assert ready.grid.volume.voxels.size < 0.5 * body.voxels.size


def test_a_batch_is_the_pictures_one_by_one(small_ready):
    carms = [c_arm(primary, 10, size=30) for primary in (0, 10, 44, 90, -46)]
    batch = line_integrals_of(small_ready, carms)
    assert batch.shape == (5, 30, 30)
    for picture, carm in zip(batch, carms, strict=True):
        np.testing.assert_allclose(picture, line_integrals_of(small_ready, carm), rtol=1e-6, atol=1e-7)


def test_a_moved_volume_is_seen_as_by_a_c_arm_moved_the_other_way(small_body, small_ready):
    carm = c_arm(10, 5, size=24)
    motions = np.array([rigid_matrix(rotation_matrix((1, 2, -1), turn), (3, -turn, 5)) for turn in (0, 7, -12)])
    pictures = line_integrals_moved(small_ready, carm, motions)
    for picture, motion in zip(pictures, motions, strict=True):
        moved = Volume(small_body.voxels, motion @ small_body.ijk_to_lps)
        np.testing.assert_allclose(picture, line_integrals(moved, carm, STRAIGHT), rtol=1e-4, atol=2e-5)


@pytest.mark.parametrize("voxel_mm", [4.0, 6.0])
def test_a_coarser_copy_keeps_what_rays_add_up(body, voxel_mm):
    carm = c_arm(10, 15, size=40)
    coarse = prepare(body, STRAIGHT).coarser(voxel_mm)
    fine = line_integrals_of(prepare(body, STRAIGHT), carm)
    np.testing.assert_allclose(line_integrals_of(coarse, carm).sum(), fine.sum(), rtol=2e-3)
    assert abs(line_integrals_of(coarse, carm) - fine).mean() < 0.02 * fine.max()
    assert coarse.grid.volume.spacing_mm == pytest.approx(np.rint(voxel_mm / body.spacing_mm) * body.spacing_mm)


def test_a_coarser_copy_is_the_mean_of_mu_and_not_of_hu():
    hu = np.full((2, 2, 2), -1000, dtype=np.int16)
    hu[0, 0, 0] = 1000
    curve_mean = attenuation_grid(Volume(hu, np.eye(4)), bone_above_hu=500.0)
    ready = prepare(Volume(hu, np.eye(4)), bone_above_hu=500.0).coarser(2.0)
    found = ready.grid.mu_of_number[int(ready.grid.volume.voxels[0, 0, 0]) + 32768]
    assert found == pytest.approx(curve_mean.mu_of_number[1000 + 32768] / 8, rel=1e-4)
    np.testing.assert_allclose(ready.grid.volume.ijk_to_lps[:3, 3], 0.5)


def test_what_cannot_be_projected_is_refused_in_words(small_body, small_ready):
    air = small_body.with_voxels(np.full_like(small_body.voxels, -1000))
    with pytest.raises(InputError, match="projector-empty"):
        line_integrals_of(prepare(air, STRAIGHT), c_arm(0, 0, size=8))
    with pytest.raises(InputError, match="projector-size"):
        line_integrals_of(small_ready, [c_arm(0, 0, size=8), c_arm(0, 0, size=9)])
    with pytest.raises(InputError, match="projector-device"):
        prepare(small_body, device="abacus")
    with pytest.raises(InputError, match="projector-mask"):
        prepare(small_body, within=np.ones((2, 2, 2), dtype=bool))
    with pytest.raises(InputError, match="carm-motion"):
        line_integrals_moved(small_ready, c_arm(0, 0, size=8), 2.0 * np.eye(4)[None])


def test_warming_up_makes_no_noise_when_all_is_compiled():
    warm_up()
    said = []
    warm_up(said.append)
    assert said == []
