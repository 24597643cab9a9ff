"""Slices that don't follow one another are refused, whatever their headers say; bodies, noise and metal are not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.continuity import require_neighbours
from hypothesis import given, settings
from hypothesis import strategies as st

SIZE, COUNT = 48, 40


def body(seed=0, noise_hu=25.0, count=COUNT, step_mm=2.0):
    """A cone of soft tissue with a leaning shaft of bone in air, with noise, int16 (count, SIZE, SIZE)."""
    rng = np.random.default_rng(seed)
    k = np.arange(count)[:, None, None] * step_mm
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE / 2
    soft = np.hypot(x, y) < 10 + 0.15 * k
    bone = np.hypot(x - 0.1 * k + 3, y + 0.05 * k) < 4
    hu = np.where(bone, 900.0, np.where(soft, 40.0, -1000.0))
    return np.rint(hu + rng.normal(0, noise_hu, hu.shape)).astype(np.int16)


def headers(count=COUNT, changed=None):
    changed = changed or {}
    return [SimpleNamespace(slope=changed.get(n, (1, 0))[0], intercept=changed.get(n, (1, 0))[1]) for n in range(count)]


def refusal(voxels, slices=None):
    with pytest.raises(InputError) as error:
        check(voxels, slices)
    return error.value


def check(voxels, slices=None):
    require_neighbours(voxels, slices or headers(len(voxels)), [float(n) for n in range(len(voxels))], "z =")


@given(
    seed=st.integers(0, 2**31),
    noise=st.floats(0.0, 120.0),
    step=st.floats(0.0, 5.0),
    count=st.integers(2, 40),
)
@settings(max_examples=40, deadline=None)
def test_a_body_is_read_however_noisy_or_coarse(seed, noise, step, count):
    check(body(seed, noise, count, step))


def test_a_screw_across_one_thick_slice_with_its_streaks_is_read():
    voxels = body(1, step_mm=3.0)
    voxels[20, 24:27, 8:40] = 3071
    streaks = np.random.default_rng(2).normal(0, 150, (10, SIZE))
    voxels[20, 20:30] = np.clip(voxels[20, 20:30] + streaks, -1024, 3071).astype(np.int16)
    check(voxels)


def test_a_slice_from_elsewhere_is_told_by_its_place():
    voxels = body(3)
    voxels[17] = body(4)[2][::-1, ::-1]
    error = refusal(voxels)
    assert error.code == "series-odd-slice"
    assert "z = 17.00 mm" in str(error)


def test_two_bodies_that_take_turns_are_told():
    voxels = body(5)
    voxels[1::2] = np.roll(body(6), 7, axis=2)[1::2]
    assert refusal(voxels).code == "series-mixed"


@given(jump=st.floats(350.0, 2000.0), at=st.integers(1, COUNT - 1), sign=st.sampled_from([-1, 1]))
@settings(max_examples=20, deadline=None)
def test_a_jump_of_all_densities_is_told_with_its_size(jump, at, sign):
    voxels = body(7)
    voxels[at:] += np.int16(sign * jump)
    error = refusal(voxels)
    assert error.code == "series-level-jumps"
    assert f"between z = {at - 1:.2f} and {at:.2f} mm" in str(error)


def test_the_start_of_a_body_in_air_is_no_jump():
    voxels = np.full((COUNT, SIZE, SIZE), -1000, np.int16)
    voxels[20:, 2:-2, 2:-2] = 0
    check(voxels + np.random.default_rng(0).integers(-20, 20, voxels.shape).astype(np.int16))


def test_a_slope_that_the_pixels_do_not_know_of_is_told():
    stored = body(8).astype(np.float32) + 1024
    hu = stored - 1024
    hu[20:] = 1.3 * stored[20:] - 1024
    changed = {n: (1.3, -1024) if n >= 20 else (1, -1024) for n in range(COUNT)}
    assert refusal(hu, headers(changed=changed)).code == "series-rescale"
    check(stored - 1024, headers(changed=changed))  # stored by its own slope, it is the same body


@given(about=st.floats(-600.0, 600.0), at=st.integers(1, COUNT - 1))
@settings(max_examples=20, deadline=None)
def test_slices_stored_as_their_negative_are_told(about, at):
    voxels = body(10)
    voxels[at:] = np.int16(2 * about) - voxels[at:]
    assert refusal(voxels).code in {"series-inverted", "series-level-jumps"}


def test_a_repeated_picture_is_told_and_a_mirrored_or_drawn_out_shape_is_not():
    voxels = body(9)
    voxels[12] = voxels[11]
    error = refusal(voxels)
    assert error.code == "series-picture-repeated"
    assert "z = 11.00 and 12.00 mm" in str(error)
    twice = np.repeat(body(9)[: COUNT // 2], 2, axis=0)
    assert refusal(twice).code == "series-picture-repeated"
    cone = body(9, noise_hu=0.0)[:20]
    check(np.concatenate([cone, cone[::-1]]))
    check(np.repeat(body(9, noise_hu=0.0)[:1], COUNT, axis=0))
