"""Pictures of every kind come out with attenuation growing one way; what is no X-ray picture gets one clear line."""

import gdcm
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle.xray.display import Polarity, Scale
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from pydicom.uid import JPEGLSLossless, RLELossless

from tests.xray.pictures.makers import (
    PLANTED_BIRTH,
    PLANTED_ID,
    PLANTED_NAME,
    body,
    dicom,
    item,
    saved,
    shown,
)

BODY = body()
DARK, LIGHT = shown(BODY), shown(BODY, Polarity.BONE_LIGHT)
SAID_DARK = Told(polarity=Polarity.BONE_DARK)


def grows_with_attenuation(picture, integrals=BODY):
    """Whether grey and line integral run the same way, by ranks (no display curve matters)."""
    inside = picture.usable
    ranks = [values[inside].argsort().argsort() for values in (picture.attenuation, integrals)]
    return np.corrcoef(*ranks)[0, 1] > 0.9


def refused(path, **arguments):
    with pytest.raises(InputError) as error:
        read_radiograph(path, **arguments)
    line = str(error.value)
    assert "\n" not in line
    for secret in (PLANTED_ID, PLANTED_BIRTH, *PLANTED_NAME.split("^"), path.name):
        assert secret not in line
    return error.value.code


# PS3.3 C.8.11.3.1.2: the sign speaks of stored values; MONOCHROME1 shows small ones light
@pytest.mark.parametrize("modality", ["DX", "XA", "RF"])
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize("sign", [-1, 1])
def test_the_sign_of_the_beam_tells_which_way_stored_values_run(tmp_path, modality, photometric, sign):
    stored = LIGHT if sign < 0 else DARK
    fields = {"PixelIntensityRelationship": "LIN", "PixelIntensityRelationshipSign": sign}
    picture = read_radiograph(saved(dicom(stored, modality, photometric, **fields), tmp_path / "picture-x"))
    assert grows_with_attenuation(picture)
    shown_light = (sign < 0) == (photometric == "MONOCHROME2")
    assert picture.polarity is (Polarity.BONE_LIGHT if shown_light else Polarity.BONE_DARK)
    assert picture.modality == modality


@pytest.mark.parametrize("relation", ["LIN", "LOG"])
def test_values_of_an_angiographic_unit_grow_with_the_beam_where_it_says_so(tmp_path, relation):
    # PS3.3 C.8.7.1 and C.8.19.6.4.1.1: (approximately) proportional to X-ray beam intensity
    path = saved(dicom(DARK, "XA", PixelIntensityRelationship=relation), tmp_path / "picture-x")
    assert grows_with_attenuation(read_radiograph(path))


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_a_film_without_a_word_on_the_beam_is_taken_as_shown_bone_light_and_that_is_said(tmp_path, photometric):
    stored = LIGHT if photometric == "MONOCHROME2" else 255 - LIGHT
    picture = read_radiograph(saved(dicom(stored, "CR", photometric), tmp_path / "picture-x"))
    assert grows_with_attenuation(picture)
    assert any("by the custom of showing bone light" in doubt for doubt in picture.doubts)


def table(first, values, bits=16):
    return item(LUTDescriptor=[len(values), first, bits], LUTData=np.asarray(values, dtype="<u2").tobytes())


@pytest.mark.parametrize("which", ["rescale", "modality table", "VOI table"])
def test_a_grey_table_that_runs_downwards_turns_what_is_shown(tmp_path, which):
    down = 255 - np.arange(256)
    fields = {
        "rescale": {"RescaleSlope": -1.0, "RescaleIntercept": 255.0},
        "modality table": {"ModalityLUTSequence": table(0, down)},
        "VOI table": {"VOILUTSequence": table(0, down)},
    }[which]
    if which == "modality table":
        fields["ModalityLUTSequence"][0].ModalityLUTType = "US"
    picture = read_radiograph(saved(dicom(255 - LIGHT, "CR", **fields), tmp_path / "picture-x"))
    assert picture.polarity is Polarity.BONE_LIGHT
    assert grows_with_attenuation(picture)


def test_a_file_that_contradicts_its_picture_is_asked_about(tmp_path):
    path = saved(dicom(LIGHT, "XA", PixelIntensityRelationship="LIN"), tmp_path / "picture-x")
    assert refused(path) == "picture-polarity"
    picture = read_radiograph(path, told=Told(polarity=Polarity.BONE_LIGHT))
    assert grows_with_attenuation(picture)


def test_the_users_word_on_polarity_wins_and_the_pictures_contradiction_is_said(tmp_path):
    path = saved(dicom(DARK, "OT"), tmp_path / "picture-x")
    assert grows_with_attenuation(read_radiograph(path, told=SAID_DARK))
    wrong = read_radiograph(path, told=Told(polarity=Polarity.BONE_LIGHT))
    assert any("other way round" in doubt for doubt in wrong.doubts)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_every_depth_of_grey_keeps_its_steps(tmp_path, bits):
    stored = np.rint(np.exp(-BODY / 3.0) * (2**bits - 1)).astype(np.uint8 if bits == 8 else np.uint16)
    ds = dicom(stored, "XA", PixelIntensityRelationship="LIN", BitsStored=bits, HighBit=bits - 1)
    picture = read_radiograph(saved(ds, tmp_path / "picture-x"))
    np.testing.assert_array_equal(-picture.attenuation, stored)


def test_an_overlay_kept_in_the_upper_bits_is_left_out(tmp_path, monkeypatch):
    stored = np.rint(np.exp(-BODY / 3.0) * 1023).astype(np.uint16)
    marked = stored | np.where(np.arange(256)[:, None] < 20, 0x8000, 0).astype(np.uint16)
    ds = dicom(marked, "XA", PixelIntensityRelationship="LIN", BitsStored=10, HighBit=9)
    path = saved(ds, tmp_path / "picture-x")
    monkeypatch.setattr("pydicom.pixels.decoders.base.Decoder.as_array", None)  # nothing is decoded in this process
    picture = read_radiograph(path)
    np.testing.assert_array_equal(-picture.attenuation, stored)
    assert any("upper" in d or "Bits above" in d for d in picture.doubts)


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless], ids=lambda s: s.name)
def test_compressed_pictures_come_out_as_they_went_in(tmp_path, syntax):
    ds = dicom(DARK, "XA", PixelIntensityRelationship="LIN")
    ds.compress(syntax, generate_instance_uid=False)
    np.testing.assert_array_equal(-read_radiograph(saved(ds, tmp_path / "picture-x")).attenuation, DARK)


@pytest.mark.parametrize("syntax", ["JPEGLosslessProcess14_1", "JPEG2000Lossless"])
def test_pictures_compressed_by_another_library_come_out_as_they_went_in(tmp_path, syntax):
    path = saved(dicom(DARK, "XA", PixelIntensityRelationship="LIN"), tmp_path / "picture-x")
    reader, change, writer = gdcm.ImageReader(), gdcm.ImageChangeTransferSyntax(), gdcm.ImageWriter()
    reader.SetFileName(str(path))
    assert reader.Read()
    change.SetTransferSyntax(gdcm.TransferSyntax(getattr(gdcm.TransferSyntax, syntax)))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer.SetFileName(str(path))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()
    assert pydicom.dcmread(path).file_meta.TransferSyntaxUID.is_compressed
    np.testing.assert_array_equal(-read_radiograph(path).attenuation, DARK)


def test_lossy_compression_is_said(tmp_path):
    fields = {"PixelIntensityRelationship": "LIN", "LossyImageCompression": "01"}
    picture = read_radiograph(saved(dicom(DARK, "XA", **fields), tmp_path / "picture-x"))
    assert any("with loss" in doubt for doubt in picture.doubts)


def test_one_of_several_frames_must_be_named(tmp_path):
    run = np.stack([DARK, np.maximum(DARK, 3), np.maximum(DARK, 6)])
    path = saved(dicom(run, "XA", PixelIntensityRelationship="LIN"), tmp_path / "picture-x")
    assert refused(path) == "picture-frames"
    assert refused(path, frame=4) == "picture-frame-number"
    assert refused(path, frame=0) == "picture-frame-number"
    for number in (1, 2, 3):
        picture = read_radiograph(path, frame=number)
        assert picture.frame == number
        np.testing.assert_array_equal(-picture.attenuation, run[number - 1])


def test_a_capture_in_colour_is_its_brightness_and_what_is_drawn_in_colour_is_left_out(tmp_path):
    rgb = np.repeat(DARK[..., None], 3, axis=-1)
    rgb[100:110, 60:90] = (255, 220, 0)
    picture = read_radiograph(saved(dicom(rgb, "OT"), tmp_path / "picture-x"), told=SAID_DARK)
    # PS3.3 C.7.6.3.1.2: Y = 0.299 R + 0.587 G + 0.114 B
    assert -picture.attenuation[105, 70] == pytest.approx(0.299 * 255 + 0.587 * 220, abs=1e-3)
    np.testing.assert_allclose(-picture.attenuation[150:], DARK[150:], atol=1e-3)
    assert not picture.usable[100:110, 60:90].any()
    assert picture.usable[120:200, 60:90].mean() > 0.95
    assert any("does not say that it is an X-ray" in doubt for doubt in picture.doubts)


def test_a_capture_written_by_highdicom_is_read_with_its_sides(tmp_path):
    from highdicom.sc import SCImage

    capture = SCImage(
        pixel_array=DARK,
        photometric_interpretation="MONOCHROME2",
        bits_allocated=8,
        coordinate_system="PATIENT",
        study_instance_uid="2.25.1",
        series_instance_uid="2.25.2",
        series_number=1,
        sop_instance_uid="2.25.3",
        instance_number=1,
        manufacturer="a test",
        patient_orientation=("L", "F"),
    )
    capture.save_as(tmp_path / "picture-sc")
    picture = read_radiograph(tmp_path / "picture-sc", told=SAID_DARK)
    np.testing.assert_array_equal(-picture.attenuation, DARK)
    assert picture.geometry.columns_to_left is True
    assert picture.geometry.pixel_pitch_mm is None


def test_a_picture_shuttered_to_nothing_is_refused(tmp_path):
    rgb = np.repeat(DARK[..., None], 3, axis=-1)
    told = Told(polarity=Polarity.BONE_DARK, region=(0, 0, 1, 1))
    assert refused(saved(dicom(rgb, "OT"), tmp_path / "picture-x"), told=told) in {"picture-black", "picture-empty"}


def test_shutters_that_the_file_names_are_left_out(tmp_path):
    # PS3.3 C.8.7.3 and C.7.6.11: rows and columns from 1, the edges themselves outside
    rectangle = {
        "CollimatorShape": "RECTANGULAR",
        "CollimatorLeftVerticalEdge": 20,
        "CollimatorRightVerticalEdge": 240,
        "CollimatorUpperHorizontalEdge": 11,
        "CollimatorLowerHorizontalEdge": 251,
    }
    circle = {"ShutterShape": "CIRCULAR", "CenterOfCircularShutter": [128, 128], "RadiusOfCircularShutter": 100}
    polygon = {"CollimatorShape": "POLYGONAL", "VerticesOfThePolygonalCollimator": [1, 1, 1, 256, 256, 1]}
    base = {"PixelIntensityRelationship": "LIN"}
    by_rectangle = read_radiograph(saved(dicom(DARK, "XA", **base, **rectangle), tmp_path / "picture-r")).usable
    assert not by_rectangle[:, :20].any()
    assert not by_rectangle[:11].any()
    assert by_rectangle[60:200, 60:200].mean() > 0.95
    by_circle = read_radiograph(saved(dicom(DARK, "XA", **base, **circle), tmp_path / "picture-c")).usable
    assert by_circle.sum() == pytest.approx(np.pi * 97.5**2, rel=0.05)
    by_polygon = read_radiograph(saved(dicom(DARK, "XA", **base, **polygon), tmp_path / "picture-p")).usable
    assert not by_polygon[200:, 100:].any()
    assert by_polygon[20:90, 20:90].mean() > 0.95


def written(path, array, color=False):
    image = sitk.GetImageFromArray(array, isVector=color)
    sitk.WriteImage(image, str(path))
    return path


@pytest.mark.parametrize(
    ("suffix", "deep"), [("png", False), ("png", True), ("tif", False), ("tif", True), ("bmp", False)]
)
def test_a_picture_of_a_screen_keeps_its_grey(tmp_path, suffix, deep):
    stored = DARK.astype(np.uint16) * 257 if deep else DARK
    picture = read_radiograph(written(tmp_path / f"x.{suffix}", stored), told=SAID_DARK)
    np.testing.assert_array_equal(-picture.attenuation, stored)
    assert picture.modality in {"PNG", "TIFF", "BMP"}
    assert picture.geometry.pixel_pitch_mm is None
    assert any("which side of the picture" in doubt for doubt in picture.doubts)


def test_a_jpeg_keeps_its_grey_nearly_and_is_known_whatever_it_is_called(tmp_path):
    path = written(tmp_path / "x.jpg", DARK).rename(tmp_path / "x.dat")
    picture = read_radiograph(path, told=SAID_DARK)
    assert np.abs(-picture.attenuation - DARK).mean() < 3
    assert any("JPEG" in doubt for doubt in picture.doubts)


@pytest.mark.parametrize("channels", [3, 4])
def test_a_screenshot_in_colour_and_with_opacity_is_read(tmp_path, channels):
    rgb = np.repeat(DARK[..., None], channels, axis=-1)
    if channels == 4:
        rgb[..., 3] = 255
    rgb[5:15, 5:40, :3] = (255, 0, 0)
    picture = read_radiograph(written(tmp_path / "x.png", rgb, color=True), told=SAID_DARK)
    np.testing.assert_allclose(-picture.attenuation[40:], DARK[40:], atol=1e-3)
    assert not picture.usable[5:15, 5:40].any()


def test_pages_of_a_tiff_are_asked_for(tmp_path):
    path = written(tmp_path / "x.tif", np.stack([DARK, 255 - DARK]))
    assert refused(path) == "picture-frames"
    picture = read_radiograph(path, frame=2, told=Told(polarity=Polarity.BONE_LIGHT))
    np.testing.assert_array_equal(picture.attenuation, 255 - DARK)
    assert picture.frame == 2


def test_a_part_of_a_screen_can_be_named(tmp_path):
    screen = np.full((400, 600), 30, dtype=np.uint8)
    screen[80:336, 200:456] = DARK
    told = Told(polarity=Polarity.BONE_DARK, region=(200, 80, 256, 256))
    picture = read_radiograph(written(tmp_path / "x.png", screen), told=told)
    assert picture.size == (600, 400)
    assert not picture.usable[:80].any()
    assert not picture.usable[:, 456:].any()
    assert picture.usable[80:336, 200:456].mean() > 0.7
    assert refused(tmp_path / "x.png", told=Told(region=(500, 0, 200, 100))) == "picture-region"


def test_nothing_that_names_the_patient_comes_out(tmp_path):
    path = saved(dicom(DARK, "XA", PixelIntensityRelationship="LIN"), tmp_path / f"{PLANTED_ID}.dcm")
    picture = read_radiograph(path)
    said = f"{picture!r} {picture.doubts} {picture.geometry} {picture.patient}"
    for secret in (PLANTED_ID, PLANTED_BIRTH, *PLANTED_NAME.split("^")):
        assert secret not in said
    assert picture.patient is not None


BLACK = np.zeros((256, 256), dtype=np.uint8)


@pytest.mark.parametrize(
    ("made", "code"),
    [
        (lambda p: saved(dicom(BLACK, "XA", PixelIntensityRelationship="LIN"), p), "picture-black"),
        (lambda p: saved(dicom(DARK, "CT"), p), "picture-modality"),
        (lambda p: saved(dicom(DARK, "CT", ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"]), p), "picture-modality"),
        (lambda p: saved(dicom(DARK, "MR"), p), "picture-modality"),
        (lambda p: saved(dicom(DARK, "US"), p), "picture-modality"),
        (lambda p: saved(dicom(DARK, "MG"), p), "picture-modality"),
        (lambda p: saved(dicom(DARK[::4, ::4], "XA"), p), "picture-tiny"),
        (lambda p: p.write_text("a letter, not a picture\n" * 20) and p, "picture-format"),
        (lambda p: p.write_bytes(b"") or p, "picture-format"),
        (lambda p: p.write_bytes(b"\x89PNG\r\n\x1a\n" + b"\0" * 50) and p, "picture-damaged"),
        (lambda p: p.write_bytes(b"\0" * 128 + b"DICM" + b"\1\2\3" * 30) and p, "picture-no-pixels"),
        (lambda p: p.mkdir() or p, "picture-folder"),
        (lambda p: p, "input-missing"),
    ],
)
def test_what_is_no_x_ray_picture_gets_one_clear_line(tmp_path, made, code):
    assert refused(made(tmp_path / "film-7.dat")) == code


def test_a_file_without_pixels_a_reconstruction_and_a_volume_are_refused(tmp_path):
    empty = dicom(DARK, "XA")
    del empty.PixelData, empty.Rows, empty.Columns
    assert refused(saved(empty, tmp_path / "picture-a")) == "picture-no-pixels"
    unfilled = dicom(DARK, "XA")
    del unfilled.PixelData
    assert refused(saved(unfilled, tmp_path / "picture-b")) == "picture-no-pixels"
    volume = dicom(np.stack([DARK] * 3), "XA")
    volume.SOPClassUID = volume.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.13.1.1"
    assert refused(saved(volume, tmp_path / "picture-c"), frame=1) == "picture-volume"
    image = sitk.GetImageFromArray(np.zeros((5, 6, 7), dtype=np.int16))
    for suffix in ("nii.gz", "nrrd", "mha"):
        sitk.WriteImage(image, str(tmp_path / f"x.{suffix}"))
        assert refused(tmp_path / f"x.{suffix}") == "picture-volume"


def test_pixels_cut_short_are_refused(tmp_path):
    ds = dicom(DARK, "XA", PixelIntensityRelationship="LIN")
    ds.PixelData = ds.PixelData[:1000]
    assert refused(saved(ds, tmp_path / "picture-x")) == "picture-pixels"


def test_grey_that_neither_file_nor_picture_tells_is_asked_for(tmp_path):
    # noise is the same upside down
    stored = np.random.default_rng(0).integers(20, 220, (256, 256)).astype(np.uint8)
    assert refused(saved(dicom(stored, "OT"), tmp_path / "picture-x")) == "picture-polarity"


@pytest.mark.parametrize("scale", list(Scale))
@pytest.mark.parametrize("polarity", list(Polarity))
def test_a_capture_that_says_nothing_is_told_by_its_picture_and_that_is_said(tmp_path, scale, polarity):
    stored = shown(BODY, polarity, scale)
    picture = read_radiograph(saved(dicom(stored, "OT"), tmp_path / "picture-x"))
    assert picture.polarity is polarity
    assert any("from the picture alone" in doubt for doubt in picture.doubts)


@pytest.mark.parametrize("pitch", [0.0, -1.0, np.nan, (1.0, np.nan), 1e9, np.inf])
def test_pixels_of_a_size_that_no_detector_has_are_refused(tmp_path, pitch):
    path = saved(dicom(DARK, "DX"), tmp_path / "picture-x")
    assert refused(path, told=Told(polarity=Polarity.BONE_DARK, pixel_pitch_mm=pitch)) == "picture-pitch"
