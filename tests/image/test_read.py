"""A CT read from any source has right millimetres and right HU, or is refused with a reason.

The ball of 24 mm radius has a volume of 4/3 pi 24^3 = 57.906 ml; its edge is placed at the half-height of the step.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.read import read_volume
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from dicom_phantom import (
    asymmetric_hu,
    extent_mm,
    grid_positions,
    make_slices,
    sphere_hu,
    stored_pixels,
    tilted_slices,
    volume_above,
    write_slices,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

SPHERE_ML = 4 / 3 * math.pi * 2.4**3


def assert_is_the_sphere(volume: Volume, within_mm: float = 0.1) -> None:
    assert volume_above(volume.voxels, volume.voxel_volume_mm3) == pytest.approx(SPHERE_ML, rel=0.01)
    for direction in np.vstack([np.eye(3), [[0.6, 0.8, 0], [0, 0.6, 0.8], [0.48, -0.6, 0.64]]]):
        assert extent_mm(volume, direction) == pytest.approx(48.0, abs=within_mm)


def test_a_regular_series_keeps_the_sphere(tmp_path):
    volume, info = read_volume(write_slices(tmp_path, make_slices()))
    assert_is_the_sphere(volume)
    assert volume.voxels.dtype == np.int16
    assert (info.kind, info.slices, info.repairs) == ("dicom", 64, ())


@pytest.mark.parametrize("fault", ["missing", "five missing", "tilt", "tilt back", "uneven", "shifted"])
def test_a_repaired_series_keeps_the_sphere_and_says_what_was_done(tmp_path, fault):
    slices = make_slices()
    if fault == "missing":
        del slices[20]
    elif fault == "five missing":
        slices = [s for n, s in enumerate(slices) if n not in (5, 9, 20, 33, 50)]
    elif fault == "tilt":
        slices = tilted_slices(12.0)
    elif fault == "tilt back":
        slices = tilted_slices(-17.0)
    elif fault == "uneven":
        slices = make_slices([*np.arange(-32, 0, 1.0), *np.arange(0, 33, 1.5)])
    else:
        moved = slices[30].ImagePositionPatient
        pixels = np.roll(stored_pixels(slices[30]), -4, axis=1)
        slices[30].PixelData, slices[30].ImagePositionPatient = pixels.tobytes(), [moved[0] + 4, *moved[1:]]
    write_slices(tmp_path, slices)
    with pytest.raises(InputError, match="--repair"):
        read_volume(tmp_path)
    volume, info = read_volume(tmp_path, repair=True)
    # A slice lost where the ball just begins cannot be known from its neighbours to better than 0.3 mm.
    assert_is_the_sphere(volume, within_mm=0.3 if fault in {"five missing", "uneven"} else 0.1)
    assert len(info.repairs) == 1
    directions = volume.directions
    np.testing.assert_allclose(directions.T @ directions, np.eye(3), atol=1e-9)


def test_a_wrong_tilt_would_show_in_the_sphere(tmp_path):
    """The check itself must be able to fail: the same slices without their drift are no sphere."""
    slices = tilted_slices(12.0)
    c, s = math.cos(math.radians(12)), math.sin(math.radians(12))
    for ds, distance in zip(slices, grid_positions(64, c), strict=True):
        ds.ImagePositionPatient = [-31.5, -31.5 * c - s * distance, -31.5 * s + c * distance]
    volume, _ = read_volume(write_slices(tmp_path, slices))
    assert abs(extent_mm(volume, np.array([0, 0.6, 0.8])) - 48) > 1


@given(
    seed=st.integers(0, 2**31),
    turn=st.tuples(*[st.floats(-180, 180)] * 3),
    gap=st.sampled_from([1.0, 1.5, 2.5]),
)
@settings(max_examples=12, deadline=None)
def test_any_order_and_any_orientation_give_the_same_physical_values(tmp_path_factory, seed, turn, gap):
    axes = Rotation.from_euler("xyz", turn, degrees=True).as_matrix()
    slices = make_slices(grid_positions(int(44 / gap), gap), asymmetric_hu, row=axes[:, 0], column=axes[:, 1], size=44)
    volume, _ = read_volume(write_slices(tmp_path_factory.mktemp("ct"), slices, seed))
    ijk = np.random.default_rng(seed).integers(0, volume.size, (200, 3))
    np.testing.assert_allclose(
        volume.voxels[ijk[:, 2], ijk[:, 1], ijk[:, 0]], asymmetric_hu(volume.to_lps(ijk)), atol=1.0
    )


@pytest.mark.parametrize(
    ("row", "column"),
    [((1, 0, 0), (0, 1, 0)), ((-1, 0, 0), (0, 1, 0)), ((-1, 0, 0), (0, -1, 0)), ((0, 1, 0), (-1, 0, 0))],
    ids=["head first supine", "feet first", "prone", "decubitus"],
)
def test_left_back_and_top_stay_where_they_are_however_the_patient_lies(tmp_path, row, column):
    slices = make_slices(grid_positions(44), asymmetric_hu, row=row, column=column, size=44)
    volume, _ = read_volume(write_slices(tmp_path, slices))
    left, back, top = sample(volume, np.array([[14.0, 0, 0], [0, 13.0, 0], [0, 0, 12.0]]))
    assert (left, back, top) == pytest.approx((900, 600, 300), abs=1)


def test_each_slice_has_its_own_slope_applied(tmp_path):
    slices = make_slices(slope=0.5, intercept=-1000)
    for n, ds in enumerate(slices):
        if n % 2:
            hu = stored_pixels(ds) * 0.5 - 1000
            ds.RescaleSlope, ds.RescaleIntercept = 1.5, -900
            ds.PixelData = np.rint((hu + 900) / 1.5).astype(np.int16).tobytes()
    volume, info = read_volume(write_slices(tmp_path, slices))
    assert_is_the_sphere(volume)
    assert "series-rescale-varies" in [f.code for f in info.findings]


@pytest.mark.parametrize("metal", [3071, 20_000, 30_000])
def test_metal_keeps_its_full_density(tmp_path, metal):
    slices = make_slices(grid_positions(8))
    for ds in slices:
        pixels = stored_pixels(ds)
        pixels[10, 12] = metal + 1024
        ds.PixelData = pixels.tobytes()
    volume, _ = read_volume(write_slices(tmp_path, slices))
    assert volume.voxels.dtype == np.int16
    assert volume.voxels[3, 10, 12] == metal
    assert volume.voxels.max() == metal


def test_values_that_int16_cannot_hold_are_kept_as_floats(tmp_path):
    slices = make_slices(grid_positions(8), slope=2.0, intercept=-1024)
    pixels = stored_pixels(slices[4])
    pixels[10, 12] = 17_500
    slices[4].PixelData = pixels.tobytes()
    volume, _ = read_volume(write_slices(tmp_path, slices))
    assert volume.voxels.dtype == np.float32
    assert volume.voxels.max() == 2 * 17_500 - 1024


def test_several_series_are_listed_and_none_is_guessed(tmp_path):
    first, second = make_slices(grid_positions(40)), make_slices(grid_positions(50))
    for ds in second:
        ds.SeriesNumber, ds.SeriesDescription = 7, "Second one"
    write_slices(tmp_path, first)
    write_slices(tmp_path, second, prefix="g")
    with pytest.raises(InputError, match="--series N") as error:
        read_volume(tmp_path)
    assert error.value.code == "series-several"
    assert "1: Synthetic pelvis 1.0, 40 slices; 2: Second one, 50 slices" in str(error.value)
    assert read_volume(tmp_path, series=2)[0].size[2] == 50
    assert read_volume(tmp_path, series=second[0].SeriesInstanceUID)[0].size[2] == 50
    with pytest.raises(InputError, match="Choose from 1 to 2"):
        read_volume(tmp_path, series=3)


def test_the_only_plannable_series_is_taken_beside_small_ones(tmp_path):
    write_slices(tmp_path, make_slices(grid_positions(64, 2.5), size=32, pixel=8.0))
    write_slices(tmp_path, make_slices(grid_positions(5)), prefix="small")
    assert read_volume(tmp_path)[0].size == (32, 32, 64)


def test_a_lone_faulty_series_is_refused_with_its_own_reason_beside_a_scout(tmp_path):
    slices = make_slices()
    del slices[20]
    scout = make_slices([0.0])
    scout[0].ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    write_slices(tmp_path, slices)
    write_slices(tmp_path, scout, prefix="s")
    with pytest.raises(InputError) as error:
        read_volume(tmp_path)
    assert error.value.code == "series-gap"


@pytest.mark.parametrize("content", [{}, {"notes.txt": b"hello"}, {"a.dcm": b"\0" * 128 + b"DICM" + b"\1" * 40}])
def test_a_folder_without_images_is_refused(tmp_path, content):
    for name, data in content.items():
        (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError) as error:
        read_volume(tmp_path)
    assert error.value.code == "series-none"


def test_a_path_that_is_not_there_or_no_image_is_refused(tmp_path):
    with pytest.raises(InputError) as error:
        read_volume(tmp_path / "gone")
    assert error.value.code == "input-missing"
    (tmp_path / "text.txt").write_text("hello")
    with pytest.raises(InputError) as error:
        read_volume(tmp_path / "text.txt")
    assert error.value.code == "image-format"


def test_too_many_files_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("cotyle.image.dicom_scan.MAX_FILES", 10)
    for n in range(11):
        (tmp_path / str(n)).write_bytes(b"")
    with pytest.raises(InputError) as error:
        read_volume(tmp_path)
    assert error.value.code == "too-many-files"


def test_a_header_that_claims_a_giant_image_is_refused_before_anything_is_allocated(tmp_path):
    slices = make_slices(grid_positions(4), size=8)
    for ds in slices:
        ds.Rows = ds.Columns = 65535
    with pytest.raises(InputError) as error:
        read_volume(write_slices(tmp_path, slices))
    assert error.value.code == "image-too-large"


def test_a_file_cut_short_is_refused_by_name(tmp_path):
    slices = make_slices(grid_positions(4), size=16)
    for n, ds in enumerate(slices):
        ds.save_as(tmp_path / f"s{n}", enforce_file_format=True)
    whole = (tmp_path / "s2").read_bytes()
    (tmp_path / "s2").write_bytes(whole[:-100])
    with pytest.raises(InputError, match="s2 are cut short"):
        read_volume(tmp_path)


def test_the_sphere_of_the_phantom_itself_has_the_stated_volume():
    """Closed form against the phantom, so that a wrong phantom cannot hide a wrong reader."""
    x = np.linspace(-30, 30, 121)
    points = np.stack(np.meshgrid(x, x, x), axis=-1)
    assert volume_above(sphere_hu(points), 0.5**3) == pytest.approx(SPHERE_ML, rel=2e-3)


def test_a_folder_may_be_given_by_its_dicomdir(tmp_path: Path):
    write_slices(tmp_path, make_slices(grid_positions(6)))
    (tmp_path / "DICOMDIR").write_bytes(b"\0" * 128 + b"DICM")
    assert read_volume(tmp_path / "DICOMDIR")[0].size[2] == 6
