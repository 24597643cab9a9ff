"""Pixels of every transfer syntax and sign come out as the HU that went in, or are refused."""

from __future__ import annotations

import gdcm
import numpy as np
import pydicom
import pytest
from cotyle.errors import InputError
from cotyle.image.read import read_volume
from cotyle.image.slice_header import read_slice_headers
from dicom_phantom import asymmetric_hu, grid_positions, make_slices, stored_pixels, write_slices
from pydicom.filewriter import dcmwrite
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEGLSLossless,
    RLELossless,
)

GDCM_SYNTAXES = {
    "JPEG lossless": gdcm.TransferSyntax.JPEGLosslessProcess14_1,
    "JPEG 2000 lossless": gdcm.TransferSyntax.JPEG2000Lossless,
}


def small_slices():
    return make_slices(grid_positions(6, 4.0), asymmetric_hu, size=32, pixel=1.5)


def expected_voxels():
    return np.stack([stored_pixels(ds) - 1024 for ds in small_slices()])


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless], ids=lambda s: s.name)
def test_compressed_pixels_come_out_as_they_went_in(tmp_path, syntax):
    slices = small_slices()
    for ds in slices:
        ds.compress(syntax, generate_instance_uid=False)
    volume, _ = read_volume(write_slices(tmp_path, slices))
    np.testing.assert_array_equal(volume.voxels, expected_voxels())


@pytest.mark.parametrize("name", GDCM_SYNTAXES)
def test_pixels_compressed_by_another_library_come_out_as_they_went_in(tmp_path, name):
    write_slices(tmp_path, small_slices())
    for path in [p for p in tmp_path.rglob("f*") if p.is_file()]:
        reader = gdcm.ImageReader()
        reader.SetFileName(str(path))
        assert reader.Read()
        change = gdcm.ImageChangeTransferSyntax()
        change.SetTransferSyntax(gdcm.TransferSyntax(GDCM_SYNTAXES[name]))
        change.SetInput(reader.GetImage())
        assert change.Change()
        writer = gdcm.ImageWriter()
        writer.SetFileName(str(path))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        assert writer.Write()
        assert pydicom.dcmread(path).file_meta.TransferSyntaxUID.is_compressed
    volume, _ = read_volume(tmp_path)
    np.testing.assert_array_equal(volume.voxels, expected_voxels())


@pytest.mark.parametrize(
    "syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian], ids=lambda s: s.name
)
def test_uncompressed_pixels_of_every_byte_order_come_out_as_they_went_in(tmp_path, syntax):
    for n, ds in enumerate(small_slices()):
        if syntax == ExplicitVRBigEndian:
            ds.PixelData = stored_pixels(ds).astype(">i2").tobytes()
        ds["PixelData"].VR = "OW"
        ds.file_meta.TransferSyntaxUID = syntax
        if syntax == ExplicitVRBigEndian:
            dcmwrite(tmp_path / str(n), ds, implicit_vr=False, little_endian=False, force_encoding=True)
        else:
            dcmwrite(tmp_path / str(n), ds, enforce_file_format=True)
        assert pydicom.dcmread(tmp_path / str(n)).file_meta.TransferSyntaxUID == syntax
    volume, _ = read_volume(tmp_path)
    np.testing.assert_array_equal(volume.voxels, expected_voxels())


def test_unsigned_pixels_and_twelve_stored_bits_are_read_as_meant(tmp_path):
    slices = small_slices()
    for ds in slices:
        pixels = stored_pixels(ds).astype(np.uint16)
        ds.PixelRepresentation, ds.BitsStored, ds.HighBit = 0, 12, 11
        ds.PixelData = pixels.tobytes()
    volume, _ = read_volume(write_slices(tmp_path, slices))
    np.testing.assert_array_equal(volume.voxels, expected_voxels())


def test_negative_twelve_bit_pixels_with_empty_upper_bits_are_negative(tmp_path):
    slices = small_slices()
    for ds in slices:
        ds.PixelData = ((stored_pixels(ds) - 1024).astype(np.int16) & 0x0FFF).astype(np.uint16).tobytes()
        ds.RescaleIntercept, ds.BitsStored, ds.HighBit = 0, 12, 11
    volume, _ = read_volume(write_slices(tmp_path, slices))
    np.testing.assert_array_equal(volume.voxels, expected_voxels())


def refusal(folder) -> str:
    with pytest.raises(InputError) as error:
        read_volume(folder)
    return error.value.code


def test_signed_pixels_that_the_header_calls_unsigned_are_refused(tmp_path):
    slices = small_slices()
    for ds in slices:
        ds.PixelData, ds.RescaleIntercept, ds.PixelRepresentation = (stored_pixels(ds) - 1024).tobytes(), 0, 0
    assert refusal(write_slices(tmp_path, slices)) == "series-pixel-sign"


def test_unsigned_twelve_bit_pixels_that_the_header_calls_signed_are_refused(tmp_path):
    slices = make_slices(grid_positions(12), size=64)  # bone of 1000 HU is 2024, metal beyond 2047 wraps
    for ds in slices:
        pixels = stored_pixels(ds)
        pixels[28:36, 28:36] += 500
        ds.PixelData, ds.BitsStored, ds.HighBit = pixels.tobytes(), 12, 11
    assert refusal(write_slices(tmp_path, slices)) == "series-pixel-sign"


def test_values_beyond_the_stored_bits_are_refused(tmp_path):
    slices = small_slices()
    pixels = stored_pixels(slices[3])
    pixels[2, 2] = 20_000
    slices[3].PixelData = pixels.tobytes()
    for ds in slices:
        ds.PixelRepresentation, ds.BitsStored, ds.HighBit = 0, 12, 11
    assert refusal(write_slices(tmp_path, slices)) == "series-pixel-bits"


def test_padding_becomes_vacuum_and_nothing_else_changes(tmp_path):
    slices = small_slices()
    for ds in slices:
        pixels = stored_pixels(ds)
        pixels[:2] = -2000
        ds.PixelData = pixels.tobytes()
        ds.add_new("PixelPaddingValue", "SS", -2000)
    volume, _ = read_volume(write_slices(tmp_path, slices))
    np.testing.assert_array_equal(volume.voxels[:, :2], -1024)
    np.testing.assert_array_equal(volume.voxels[:, 2:], expected_voxels()[:, 2:])


def test_monochrome1_keeps_hu_and_is_refused_when_the_pixels_are_inverted_too(tmp_path):
    slices = make_slices(grid_positions(8))
    for ds in slices:
        ds.PhotometricInterpretation = "MONOCHROME1"
    volume, info = read_volume(write_slices(tmp_path / "a", slices))
    assert volume.voxels.max() == 1000
    assert "series-monochrome1" in [f.code for f in info.findings]
    for ds in slices:
        ds.PixelData = (2048 - stored_pixels(ds)).astype(np.int16).tobytes()
    assert refusal(write_slices(tmp_path / "b", slices)) == "series-inverted"


def test_damaged_compressed_pixels_are_refused(tmp_path):
    slices = small_slices()
    for ds in slices:
        ds.compress(JPEGLSLossless, generate_instance_uid=False)
    slices[2].PixelData = slices[2].PixelData[:40] + b"\0" * (len(slices[2].PixelData) - 40)
    assert refusal(write_slices(tmp_path, slices)) == "series-pixels"


def test_a_deflated_file_that_grows_without_bounds_is_passed_over(tmp_path, monkeypatch):
    monkeypatch.setattr("cotyle.image.bounded_file.MAX_INFLATED_BYTES", 1000)
    (ds,) = make_slices([0.0])
    ds.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    dcmwrite(tmp_path / "bomb", ds, enforce_file_format=True)
    with pytest.raises(ValueError, match="inflates to more"):
        read_slice_headers(tmp_path / "bomb")
    assert refusal(tmp_path) == "series-none"
