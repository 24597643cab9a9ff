"""Every fault a CT series can have is named, with where and how much.

The faults are those on which the usual readers were seen to give wrong millimetres or a useless message: a missing
slice, a repeated one, a tilted gantry, uneven spacing, a scout under the same UID, a slice without position. The
right figures are those the phantom was built with.
"""

from __future__ import annotations

import copy
import math
from pathlib import Path

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.check import SeriesReport, describe
from cotyle.image.read import read_volume
from cotyle.image.verdict import Finding
from dicom_phantom import (
    PLANTED_BIRTH,
    PLANTED_ID,
    asymmetric_hu,
    grid_positions,
    make_slices,
    stored_pixels,
    tilted_slices,
    write_slices,
)
from pydicom.uid import generate_uid


def report_of(folder: Path) -> SeriesReport:
    (report,) = describe(folder)
    return report


def finding(report: SeriesReport, code: str) -> Finding:
    (found,) = [f for f in report.verdict.findings if f.code == code]
    return found


def test_a_regular_series_is_good_but_too_small_for_a_pelvis(tmp_path):
    report = report_of(write_slices(tmp_path, make_slices()))
    assert report.verdict.codes == ("series-coverage",)
    assert report.verdict.usable
    assert not report.plannable
    assert report.spacing_mm == pytest.approx((1, 1, 1))
    assert report.extent_mm == pytest.approx((64, 64, 64))


def test_a_series_of_pelvis_size_can_be_planned_on(tmp_path):
    slices = make_slices(grid_positions(64, 2.5), size=32, pixel=8.0)
    report = report_of(write_slices(tmp_path, slices))
    assert report.plannable
    assert report.verdict.findings == ()


def test_a_missing_slice_is_named_by_its_neighbours_and_gap(tmp_path):
    slices = make_slices()
    del slices[20]  # at z = -11.5
    found = finding(report_of(write_slices(tmp_path, slices)), "series-gap")
    assert found.numbers["low_mm"] == pytest.approx(-12.5)
    assert found.numbers["high_mm"] == pytest.approx(-10.5)
    assert found.numbers["gap_mm"] == pytest.approx(2.0)
    assert "z = -12.50 and -10.50 mm (gap 2.00 mm)" in found.text


@pytest.mark.parametrize("lost", [range(20, 25), (5, 9, 20, 33, 50)])
def test_five_missing_slices_are_counted_scattered_or_together(tmp_path, lost):
    slices = [s for n, s in enumerate(make_slices()) if n not in lost]
    found = finding(report_of(write_slices(tmp_path, slices)), "series-gap")
    assert found.numbers["slices"] == 5
    assert found.numbers["spacing_mm"] == pytest.approx(1.0)


def test_a_gap_too_wide_to_fill_is_refused_even_with_repair(tmp_path):
    slices = make_slices()
    del slices[20:32]
    write_slices(tmp_path, slices)
    with pytest.raises(InputError, match="12 slices are missing") as error:
        read_volume(tmp_path, repair=True)
    assert error.value.code == "series-gap"


def test_a_missing_slice_next_to_the_end_of_a_short_series_is_found(tmp_path):
    slices = make_slices(grid_positions(6))
    del slices[4]
    assert "series-gap" in report_of(write_slices(tmp_path, slices)).verdict.codes


def test_both_blocks_of_an_uneven_series_are_named(tmp_path):
    slices = make_slices([*np.arange(-32, 0, 1.0), *np.arange(0, 32, 2.0)])
    found = finding(report_of(write_slices(tmp_path, slices)), "series-uneven")
    assert "1.00 mm from z = -32.00 to 0.00 mm, then 2.00 mm from z = 0.00 to 30.00 mm" in found.text


def test_random_gaps_are_uneven(tmp_path):
    distances = np.cumsum(np.random.default_rng(3).uniform(0.6, 1.6, 30))
    assert "series-uneven" in report_of(write_slices(tmp_path, make_slices(list(distances)))).verdict.codes


@pytest.mark.parametrize(("jitter", "code"), [(0.001, None), (0.03, "series-jitter"), (0.3, "series-uneven")])
def test_jitter_is_passed_noted_or_refused_by_its_size(tmp_path, jitter, code):
    rng = np.random.default_rng(5)
    distances = np.array(grid_positions(40)) + rng.uniform(-jitter, jitter, 40)
    codes = set(report_of(write_slices(tmp_path, make_slices(list(distances)))).verdict.codes)
    assert codes - {"series-coverage"} == ({code} if code else set())


def test_positions_rounded_to_a_tenth_of_a_millimetre_are_even(tmp_path):
    distances = np.round(np.array(grid_positions(41, 0.75)), 1)
    report = report_of(write_slices(tmp_path, make_slices(list(distances))))
    assert report.verdict.usable
    assert report.spacing_mm[2] == pytest.approx(0.75)


def test_a_repeated_slice_with_the_same_pixels_is_dropped_with_a_note(tmp_path):
    slices = make_slices()
    twin = copy.deepcopy(slices[10])
    twin.SOPInstanceUID = twin.file_meta.MediaStorageSOPInstanceUID = generate_uid(prefix="2.25.")
    report = report_of(write_slices(tmp_path, [*slices, twin]))
    assert finding(report, "series-duplicate").numbers["first_mm"] == pytest.approx(-21.5)
    assert report.verdict.usable


def test_different_pictures_at_one_place_are_refused(tmp_path):
    slices = make_slices()
    twin = copy.deepcopy(slices[30])
    twin.SOPInstanceUID = twin.file_meta.MediaStorageSOPInstanceUID = generate_uid(prefix="2.25.")
    pixels = stored_pixels(twin)
    pixels[3, 3] += 1
    twin.PixelData = pixels.tobytes()
    write_slices(tmp_path, [*slices, twin])
    with pytest.raises(InputError, match=r"z = -1\.50 mm") as error:
        read_volume(tmp_path, repair=True)
    assert error.value.code == "series-duplicate-differs"


@pytest.mark.parametrize("angle", [12.0, -7.5, 0.4])
def test_the_angle_of_a_tilted_gantry_is_told(tmp_path, angle):
    report = report_of(write_slices(tmp_path, tilted_slices(angle)))
    found = finding(report, "series-tilt")
    assert found.numbers["tilt_deg"] == pytest.approx(abs(angle), abs=1e-3)
    assert not report.verdict.usable
    assert report.spacing_mm[2] == pytest.approx(math.cos(math.radians(angle)), abs=1e-6)


def test_a_tilt_in_the_header_that_the_positions_do_not_show_is_noted(tmp_path):
    slices = make_slices()
    for ds in slices:
        ds.GantryDetectorTilt = 15
    report = report_of(write_slices(tmp_path, slices))
    assert report.verdict.usable
    assert finding(report, "series-tilt-header").numbers["tilt_deg"] == 15


def test_a_slice_that_lies_beside_the_others_is_found(tmp_path):
    slices = make_slices()
    x, y, z = slices[40].ImagePositionPatient
    slices[40].ImagePositionPatient = [x, y + 3, z]
    found = finding(report_of(write_slices(tmp_path, slices)), "series-slices-shifted")
    assert "between z = 7.50 and 8.50 mm they shift by 3.00 mm" in found.text


def test_a_foreign_orientation_is_split_off_and_noted(tmp_path):
    uid = generate_uid(prefix="2.25.")
    slices = make_slices(series_uid=uid)
    scout = make_slices([0.0], row=(1, 0, 0), column=(0, 0, -1), series_uid=uid)
    for ds in scout:
        ds.FrameOfReferenceUID = slices[0].FrameOfReferenceUID
    main, other = describe(write_slices(tmp_path, slices + scout))
    assert main.slices == 64
    assert main.verdict.usable
    assert "1 image of another orientation (90.0 deg away)" in finding(main, "series-split").text
    assert not other.verdict.repairable


def test_a_scout_under_the_same_uid_is_split_off(tmp_path):
    uid = generate_uid(prefix="2.25.")
    scout = make_slices([45.0], series_uid=uid)
    scout[0].ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    main, other = describe(write_slices(tmp_path, make_slices(series_uid=uid) + scout))
    assert finding(main, "series-scout-split")
    assert main.extent_mm[2] == pytest.approx(64)
    assert "series-scout" in other.verdict.codes


@pytest.mark.parametrize(("value", "code"), [(None, "series-no-position"), (["0", "nan", "3"], "series-position-nan")])
def test_a_slice_without_a_usable_position_is_named_by_its_file(tmp_path, value, code):
    slices = make_slices()
    if value is None:
        del slices[63].ImagePositionPatient
    else:
        slices[63].ImagePositionPatient = value
    write_slices(tmp_path, slices)
    found = finding(report_of(tmp_path), code)
    names = [p.name for p in tmp_path.rglob("f*") if p.is_file()]
    assert found.text.split()[0] in names
    assert str(tmp_path) not in found.text
    volume, info = read_volume(tmp_path, repair=True)
    assert volume.size[2] == 63
    assert info.repairs == ("1 slice(s) without a position left out",)


def test_slices_without_orientation_are_refused(tmp_path):
    slices = make_slices(grid_positions(5))
    for ds in slices:
        del ds.ImageOrientationPatient
    assert "series-no-orientation" in report_of(write_slices(tmp_path, slices)).verdict.codes


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"Modality": "MR"}, "series-not-ct"),
        ({"RescaleType": "OD"}, "series-not-hu"),
        ({"PixelSpacing": ["0", "0"]}, "series-pixel-spacing"),
        ({"ImageOrientationPatient": [1, 0, 0, 0.5, 0.5, 0]}, "series-orientation"),
    ],
)
def test_what_is_no_ct_volume_is_refused_with_its_reason(tmp_path, change, code):
    slices = make_slices(grid_positions(4))
    for ds in slices:
        for keyword, value in change.items():
            setattr(ds, keyword, value)
    report = report_of(write_slices(tmp_path, slices))
    assert code in report.verdict.codes
    assert not report.verdict.repairable


def test_a_single_slice_is_no_volume(tmp_path):
    assert "series-single-slice" in report_of(write_slices(tmp_path, make_slices([0.0]))).verdict.codes


def test_thick_slices_are_read_but_not_planned_on(tmp_path):
    slices = make_slices(grid_positions(40, 5.0), size=32, pixel=8.0)
    report = report_of(write_slices(tmp_path, slices))
    assert report.verdict.codes == ("series-thick",)
    with pytest.raises(InputError, match=r"5\.00 mm apart"):
        read_volume(tmp_path, for_planning=True)


def test_acquisitions_that_share_positions_are_told_apart(tmp_path):
    uid = generate_uid(prefix="2.25.")
    first = make_slices(grid_positions(8), series_uid=uid)
    second = make_slices(grid_positions(8), asymmetric_hu, series_uid=uid)
    for ds in second:
        ds.AcquisitionNumber, ds.FrameOfReferenceUID = 2, first[0].FrameOfReferenceUID
    reports = describe(write_slices(tmp_path, first + second))
    assert [r.slices for r in reports] == [8, 8]
    assert all(r.verdict.usable for r in reports)


def test_mixed_kernels_are_two_series(tmp_path):
    uid = generate_uid(prefix="2.25.")
    sharp, smooth = make_slices(grid_positions(8), series_uid=uid), make_slices(grid_positions(6), series_uid=uid)
    for ds in smooth:
        ds.ConvolutionKernel, ds.FrameOfReferenceUID = "B20", sharp[0].FrameOfReferenceUID
        ds.StudyInstanceUID = sharp[0].StudyInstanceUID
    assert [r.slices for r in describe(write_slices(tmp_path, sharp + smooth))] == [8, 6]


def test_no_message_or_json_names_the_patient(tmp_path):
    slices = make_slices(grid_positions(8))
    del slices[2]
    del slices[5].ImagePositionPatient
    for n, ds in enumerate(slices):
        ds.SeriesDescription = f"Pelvis {ds.PatientID} SAMPLETHWAITE"
        ds.save_as(tmp_path / f"sunniva_samplethwaite_{n}.dcm", enforce_file_format=True)
    report = report_of(tmp_path)
    with pytest.raises(InputError) as error:
        read_volume(tmp_path)
    _, info = read_volume(tmp_path, repair=True)
    shown = f"{report} {report.row()} {report.as_dict()} {error.value} {info} {info.as_dict()}".lower()
    for secret in ("samplethwaite", "sunniva", PLANTED_ID.lower(), PLANTED_BIRTH):
        assert secret not in shown
    assert "pelvis" in shown
