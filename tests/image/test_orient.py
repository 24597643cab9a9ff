"""Turning the axes moves no voxel and changes no value."""

from __future__ import annotations

import numpy as np
from cotyle.image.orient import reoriented
from cotyle.image.volume import Volume
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

angles = st.tuples(*[st.floats(-180, 180)] * 3)


@given(turn=angles, spacing=st.tuples(*[st.floats(0.3, 3)] * 3), mirrored=st.booleans())
@settings(max_examples=60, deadline=None)
def test_every_voxel_stays_where_it_was(turn, spacing, mirrored):
    axes = Rotation.from_euler("xyz", turn, degrees=True).as_matrix() * (-1 if mirrored else 1)
    affine = np.eye(4)
    affine[:3, :3] = axes * spacing
    affine[:3, 3] = (3, -40, 700)
    volume = Volume(np.arange(3 * 4 * 5).reshape(3, 4, 5), affine)
    turned = reoriented(volume)
    places = {int(v): volume.to_lps(np.argwhere(volume.voxels == v)[0][::-1]) for v in volume.voxels.ravel()}
    for v in range(60):
        np.testing.assert_allclose(turned.to_lps(np.argwhere(turned.voxels == v)[0][::-1]), places[v], atol=1e-9)
    assert np.shares_memory(turned.voxels, volume.voxels)


# up to 20 degrees about each axis in turn, each grid axis is nearer to its own direction than to any other
@given(
    turn=st.tuples(*[st.floats(-20, 20)] * 3),
    order=st.permutations(range(3)),
    signs=st.tuples(*[st.sampled_from([-1, 1])] * 3),
)
@settings(max_examples=60, deadline=None)
def test_the_axes_run_left_back_and_up(turn, order, signs):
    affine = np.eye(4)
    affine[:3, :3] = (Rotation.from_euler("xyz", turn, degrees=True).as_matrix() * signs)[:, order]
    turned = reoriented(Volume(np.zeros((2, 3, 4)), affine))
    assert (np.diag(turned.directions) > 0.5).all()
    assert (np.abs(turned.directions).argmax(axis=0) == [0, 1, 2]).all()
