"""NIfTI, NRRD and MetaImage are placed as nibabel and SimpleITK place them, or refused."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle.image.check import describe
from cotyle.image.read import read_volume
from cotyle.image.sampling import sample
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume
from dicom_phantom import asymmetric_hu, grid_positions, make_slices, write_slices
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

LPS_FROM_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
SUFFIXES = [".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd"]


def oblique_phantom(turn=(12, -20, 8)) -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = Rotation.from_euler("xyz", turn, degrees=True).as_matrix() * (1.0, 1.1, 1.3)
    affine[:3, 3] = -affine[:3, :3] @ (21, 20, 18)
    empty = Volume(np.empty((37, 41, 43), np.int16), affine)
    k, j, i = np.indices(empty.voxels.shape)
    return empty.with_voxels(
        np.rint(asymmetric_hu(empty.to_lps(np.stack([i, j, k], -1).reshape(-1, 3)))).astype(np.int16).reshape(i.shape)
    )


def save_nifti(path, volume, qform=None, sform=None, qcode=1, scode=1):
    ras = LPS_FROM_RAS @ volume.ijk_to_lps
    image = nibabel.Nifti1Image(volume.voxels.transpose(2, 1, 0), ras)
    image.set_qform(ras if qform is None else qform, qcode)
    image.set_sform(ras if sform is None else sform, scode)
    nibabel.save(image, path)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_left_back_and_top_are_the_same_in_every_format(tmp_path, suffix):
    path = tmp_path / f"ct{suffix}"
    sitk.WriteImage(to_sitk(oblique_phantom()), str(path))
    volume, info = read_volume(path)
    left, back, top = sample(volume, np.array([[14.0, 0, 0], [0, 13.0, 0], [0, 0, 12.0]]))
    assert (left, back, top) == pytest.approx((900, 600, 300), abs=1)
    assert volume.voxels.dtype == np.int16
    assert info.slices == 37


@given(turn=st.tuples(*[st.floats(-170, 170)] * 3))
@settings(max_examples=10, deadline=None)
def test_nifti_lies_where_nibabel_says(tmp_path_factory, turn):
    path = tmp_path_factory.mktemp("nii") / "ct.nii.gz"
    save_nifti(path, oblique_phantom(turn))
    volume, _ = read_volume(path)
    other = nibabel.load(path)
    ijk = np.random.default_rng(1).integers(0, volume.size, (50, 3))
    ras = nibabel.affines.apply_affine(other.affine, ijk)
    np.testing.assert_allclose(volume.to_lps(ijk), ras * (-1, -1, 1), atol=2e-3)
    i, j, k = ijk.T
    np.testing.assert_array_equal(volume.voxels[k, j, i], np.asarray(other.dataobj)[i, j, k])


def test_nifti_agrees_with_the_dicom_series_it_was_made_from(tmp_path):
    slices = make_slices(grid_positions(44), asymmetric_hu, row=(-1, 0, 0), column=(0, -1, 0), size=44)
    dicom, _ = read_volume(write_slices(tmp_path / "ct", slices))
    save_nifti(tmp_path / "ct.nii", dicom)
    nifti, _ = read_volume(tmp_path / "ct.nii")
    points = np.random.default_rng(2).uniform(-18, 18, (300, 3))
    np.testing.assert_allclose(sample(nifti, points), sample(dicom, points), atol=0.01)


def refusal(path) -> str:
    with pytest.raises(InputError) as error:
        read_volume(path)
    assert "\n" not in str(error.value)
    return error.value.code


def test_two_placements_that_disagree_are_refused(tmp_path):
    volume = oblique_phantom()
    ras = LPS_FROM_RAS @ volume.ijk_to_lps
    moved = ras.copy()
    moved[0, 3] += 2
    save_nifti(tmp_path / "a.nii.gz", volume, sform=moved)
    assert refusal(tmp_path / "a.nii.gz") == "nifti-two-placements"
    moved[0, 3] -= 1.9
    save_nifti(tmp_path / "b.nii", volume, sform=moved)
    assert read_volume(tmp_path / "b.nii")[0].size == volume.size


def test_nifti_without_any_placement_is_refused(tmp_path):
    save_nifti(tmp_path / "a.nii", oblique_phantom(), qcode=0, scode=0)
    assert refusal(tmp_path / "a.nii") == "image-no-space"


def test_nrrd_without_a_space_is_refused(tmp_path):
    header = "NRRD0004\ntype: short\ndimension: 3\nsizes: 4 4 4\nencoding: raw\nendian: little\nspacings: 1 1 1\n\n"
    (tmp_path / "a.nrrd").write_bytes(header.encode() + np.zeros(64, np.int16).tobytes())
    assert refusal(tmp_path / "a.nrrd") == "image-no-space"


def test_nrrd_in_ras_is_turned(tmp_path):
    voxels = np.full((4, 5, 6), -1000, np.int16)
    voxels[3, 2, 1] = 500
    header = (
        "NRRD0004\ntype: short\ndimension: 3\nspace: right-anterior-superior\nsizes: 6 5 4\nencoding: raw\n"
        "endian: little\nspace directions: (1,0,0) (0,1,0) (0,0,2)\nspace origin: (10,20,30)\n\n"
    )
    (tmp_path / "a.nrrd").write_bytes(header.encode() + voxels.tobytes())
    volume, _ = read_volume(tmp_path / "a.nrrd")
    k, j, i = np.argwhere(volume.voxels == 500)[0]
    np.testing.assert_allclose(volume.to_lps([i, j, k]), [-11, -22, 36])


@pytest.mark.parametrize(
    ("voxels", "code"),
    [
        (np.zeros((2, 3, 4, 5), np.int16), "image-not-3d"),
        (np.full((3, 4, 5), np.nan, np.float32), "image-nan"),
    ],
)
def test_what_is_no_single_ct_is_refused(tmp_path, voxels, code):
    sitk.WriteImage(sitk.GetImageFromArray(voxels, isVector=False), str(tmp_path / "a.mha"))
    assert refusal(tmp_path / "a.mha") == code


def test_a_colour_image_is_refused(tmp_path):
    sitk.WriteImage(sitk.GetImageFromArray(np.zeros((3, 4, 5, 3), np.uint8), isVector=True), str(tmp_path / "a.mha"))
    assert refusal(tmp_path / "a.mha") == "image-not-3d"


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_damaged_file_is_refused_in_one_line(tmp_path, suffix, capfd):
    (tmp_path / f"a{suffix}").write_bytes(b"nothing of the kind" * 40)
    assert refusal(tmp_path / f"a{suffix}") == "image-damaged"


def test_float_voxels_become_int16_where_they_fit_and_float32_where_not(tmp_path):
    voxels = np.full((3, 4, 5), -1000.4, np.float64)
    voxels[1, 1, 1] = 29_999.6
    sitk.WriteImage(sitk.GetImageFromArray(voxels), str(tmp_path / "a.mha"))
    volume, _ = read_volume(tmp_path / "a.mha")
    assert (volume.voxels.dtype, volume.voxels.max(), volume.voxels.min()) == (np.int16, 30_000, -1000)
    voxels[1, 1, 1] = 40_000
    sitk.WriteImage(sitk.GetImageFromArray(voxels), str(tmp_path / "a.mha"))
    volume, _ = read_volume(tmp_path / "a.mha")
    assert (volume.voxels.dtype, volume.voxels.max()) == (np.float32, 40_000)


def test_an_image_file_is_described_like_a_series(tmp_path):
    sitk.WriteImage(to_sitk(oblique_phantom()), str(tmp_path / "a.nrrd"))
    (report,) = describe(tmp_path / "a.nrrd")
    assert report.verdict.codes == ("series-coverage",)
    assert report.kind == "nrrd"
