"""A volume's grid and its affine."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.rotations import rotation_matrix
from hypothesis import given
from hypothesis import strategies as st

ANGLES = st.floats(-180.0, 180.0)


def oblique(angle_deg: float) -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = rotation_matrix((1.0, 2.0, -0.5), angle_deg) * [0.7, 0.9, 2.5]
    affine[:3, 3] = (-120.0, 35.0, -900.0)
    return Volume(np.arange(4 * 5 * 6).reshape(4, 5, 6), affine)


@given(ANGLES, st.tuples(*[st.floats(-50.0, 50.0)] * 3))
def test_index_and_millimetre_undo_each_other(angle_deg, ijk):
    volume = oblique(angle_deg)
    assert volume.to_ijk(volume.to_lps(ijk)) == pytest.approx(np.array(ijk), abs=1e-9)


def test_size_counts_i_first_and_spacing_ignores_the_turn_of_the_grid():
    volume = oblique(33.0)
    assert volume.size == (6, 5, 4)
    assert volume.spacing_mm == pytest.approx([0.7, 0.9, 2.5])
    assert volume.voxel_volume_mm3 == pytest.approx(0.7 * 0.9 * 2.5)


@given(ANGLES)
def test_a_crop_keeps_each_voxel_where_it_was(angle_deg):
    volume = oblique(angle_deg)
    part = volume.cropped((1, 2, 1), (5, 4, 3))
    assert part.size == (4, 2, 2)
    assert part.voxels[1, 0, 2] == volume.voxels[2, 2, 3]
    assert part.to_lps((2, 0, 1)) == pytest.approx(volume.to_lps((3, 2, 2)))


def test_a_crop_round_points_holds_them_with_its_margin():
    volume = Volume(np.zeros((50, 60, 70)), np.eye(4))
    part = volume.around(np.array([[20.0, 20.0, 20.0], [30.0, 25.0, 22.0]]), margin_mm=5.0)
    low, high = part.corners_lps_mm.min(axis=0), part.corners_lps_mm.max(axis=0)
    assert (low <= [15.0, 15.0, 15.0]).all()
    assert (high >= [35.0, 30.0, 27.0]).all()
    assert part.contains(np.array([[15.0, 15.0, 15.0]])).all()


def test_corners_lie_half_a_voxel_beyond_the_outermost_centres():
    volume = Volume(np.zeros((2, 3, 4)), np.diag([1.0, 2.0, 3.0, 1.0]))
    assert volume.corners_lps_mm.min(axis=0) == pytest.approx([-0.5, -1.0, -1.5])
    assert volume.corners_lps_mm.max(axis=0) == pytest.approx([3.5, 5.0, 4.5])


@pytest.mark.parametrize(
    ("voxels", "affine", "code"),
    [
        (np.zeros((3, 3)), np.eye(4), "volume-shape"),
        (np.zeros((3, 3, 0)), np.eye(4), "volume-shape"),
        (np.zeros((3, 3, 3)), np.diag([1.0, 1.0, 0.0, 1.0]), "volume-affine"),
        (np.zeros((3, 3, 3)), np.full((4, 4), np.nan), "volume-affine"),
    ],
)
def test_a_grid_without_a_place_in_space_is_refused(voxels, affine, code):
    with pytest.raises(InputError) as refused:
        Volume(voxels, affine)
    assert refused.value.code == code
