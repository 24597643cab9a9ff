"""Files that others wrote: pydicom's own test data. Each gives a result or a stable code, never a traceback."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import numpy as np
import pydicom
import pytest
from cotyle.errors import InputError
from cotyle.image.check import describe
from cotyle.image.dicom_scan import scan_dicom
from cotyle.image.read import read_volume
from cotyle.image.slice_pixels import read_stored
from pydicom.data import get_testdata_file

TEST_FILES = Path(pydicom.__file__).parent / "data" / "test_files"


def outside(name: str) -> str:
    path = get_testdata_file(name, download=False)
    if path is None:
        pytest.skip(f"{name} comes with pydicom-data")
    return path


@pytest.mark.parametrize("path", sorted(p for p in TEST_FILES.iterdir() if p.is_file()), ids=lambda p: p.name)
def test_every_file_gets_a_verdict_or_a_stable_code(path):
    try:
        reports, refused = describe(path), None
    except InputError as error:
        reports, refused = [], error
    for report in reports:
        assert report.verdict.findings
        assert report.row()
        assert not report.plannable
    if refused is not None:
        assert refused.code in {"image-format", "series-none"}
        assert "\n" not in str(refused)


def test_the_directory_sets_hold_the_series_that_pydicom_counts():
    """Counted with pydicom file by file: CT series of 5, 4 and 2 images; one has two orientations."""
    folder = TEST_FILES / "dicomdirtests"
    by_uid: dict[tuple[str, str], int] = {}
    for path in [p for p in folder.rglob("*") if p.is_file()]:
        try:
            ds = pydicom.dcmread(path, stop_before_pixels=True)
        except pydicom.errors.InvalidDicomError:
            continue
        if "Rows" in ds:
            key = (ds.Modality, ds.SeriesInstanceUID)
            by_uid[key] = by_uid.get(key, 0) + 1
    counts = sorted(n for (modality, _), n in by_uid.items() if modality == "CT")
    assert counts == [2, 4, 5]
    reports = describe(folder)
    assert sum(r.slices for r in reports) == sum(by_uid.values())
    cts = [r for r in reports if r.modality == "CT"]
    assert sum(r.slices for r in cts) == 11
    assert len(cts) > 3
    assert any("another orientation" in reason for r in cts for reason in r.reasons)


@pytest.mark.parametrize(
    ("name", "reference"),
    [
        ("MR_small_bigendian.dcm", "MR_small.dcm"),
        ("MR_small_implicit.dcm", "MR_small.dcm"),
        ("MR_small_RLE.dcm", "MR_small.dcm"),
        ("MR_small_jp2klossless.dcm", "MR_small.dcm"),
        ("MR_small_jpeg_ls_lossless.dcm", "MR_small.dcm"),
        ("CT_small.dcm", "CT_small.dcm"),
        ("J2K_pixelrep_mismatch.dcm", "J2K_pixelrep_mismatch.dcm"),
    ],
)
def test_stored_pixels_agree_with_pydicom(name, reference):
    (header,) = scan_dicom(outside(name)).headers
    (stored,) = read_stored([header])
    np.testing.assert_array_equal(stored, pydicom.dcmread(outside(reference)).pixel_array)


def test_an_enhanced_ct_of_two_frames_is_listed_as_the_perfusion_map_it_is():
    (report,) = describe(outside("eCT_Supplemental.dcm"))
    assert (report.slices, report.size) == (2, (512, 512))
    assert "series-not-hu" in report.verdict.codes


def test_a_multi_frame_file_is_placed_and_scaled_frame_by_frame(tmp_path):
    """The same file, declared grey: its two frames lie 10 mm apart, its rows run to the patient's right."""
    ds = pydicom.dcmread(outside("eCT_Supplemental.dcm"))
    ds.PixelPresentation = "MONOCHROME"
    ds.SharedFunctionalGroupsSequence[0].CTImageFrameTypeSequence[0].PixelPresentation = "MONOCHROME"
    ds.save_as(tmp_path / "ct.dcm")
    volume, info = read_volume(tmp_path / "ct.dcm")
    positions = [
        [float(v) for v in frame.PlanePositionSequence[0].ImagePositionPatient]
        for frame in ds.PerFrameFunctionalGroupsSequence
    ]
    order = np.argsort([-z for _, _, z in positions])  # rows to the right, columns to the back: normal downwards
    np.testing.assert_allclose(volume.to_lps([0, 0, 0]), positions[order[0]], atol=1e-6)
    np.testing.assert_allclose(volume.to_lps([0, 0, 1]), positions[order[1]], atol=1e-6)
    np.testing.assert_allclose(volume.spacing_mm[:2], 0.388672)
    np.testing.assert_array_equal(volume.voxels, ds.pixel_array[order].astype(int) - 1024)
    assert info.slices == 2


def test_a_zipped_dicom_file_and_a_file_cut_short_are_passed_over(tmp_path):
    shutil.copy(TEST_FILES / "zipMR.gz", tmp_path)
    (tmp_path / "cut.dcm").write_bytes(Path(outside("CT_small.dcm")).read_bytes()[:700])
    (tmp_path / "plain.gz").write_bytes(gzip.compress(b"x"))
    with pytest.raises(InputError) as error:
        read_volume(tmp_path)
    assert error.value.code == "series-none"


def test_deeply_nested_sequences_do_not_break_the_scan(tmp_path):
    """Sequences 200 deep make the parser recurse too far; the file is noted and passed over, or read."""
    item = b""
    for _ in range(400):
        body = b"\xfe\xff\x00\xe0" + len(item).to_bytes(4, "little") + item
        item = b"\x08\x00\x15\x11SQ\0\0" + len(body).to_bytes(4, "little") + body
    meta = b"\x02\x00\x10\x00UI\x14\x00" + b"1.2.840.10008.1.2.1\0"
    (tmp_path / "deep.dcm").write_bytes(b"\0" * 128 + b"DICM" + meta + item)
    assert scan_dicom(tmp_path).headers == ()
