"""What a file says of the machine comes out as DICOM means it, and what it does not say is None and named.

Meanings: DICOM PS3.3, by the attribute (module in brackets beside each test).
"""

import numpy as np
import pytest
from cotyle.xray.carm import Tube
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from pydicom.sequence import Sequence

from tests.xray.pictures.makers import body, dicom, group, item, saved, shown

C_ARM_FIELDS = {
    "DistanceSourceToDetector": 1000.0,
    "DistanceSourceToPatient": 700.0,
    "PositionerPrimaryAngle": 12.0,
    "PositionerSecondaryAngle": -8.0,
    "ImagerPixelSpacing": [0.6, 0.5],
    "PatientOrientation": ["L", "F"],
    "PixelIntensityRelationship": "LIN",
}
PICTURE = shown(body(air_beside=False))


def read(tmp_path, modality="XA", frame=None, told=None, pixels=PICTURE, without=(), **changes):
    fields = {name: value for name, value in {**C_ARM_FIELDS, **changes}.items() if name not in without}
    return read_radiograph(saved(dicom(pixels, modality, **fields), tmp_path / "x.dcm"), frame, told)


def says(picture, words):
    return any(words in doubt for doubt in picture.doubts)


@pytest.mark.parametrize("modality", ["XA", "RF"])
def test_a_c_arm_tells_distances_angles_and_pitch(tmp_path, modality):
    known = read(tmp_path, modality).geometry
    assert (known.source_detector_mm, known.source_isocenter_mm) == (1000.0, 700.0)
    assert (known.primary_deg, known.secondary_deg) == (12.0, -8.0)
    assert known.patient_orientation == ("L", "F")
    assert known.columns_to_left is True


def test_pitch_comes_out_columns_first_though_dicom_writes_rows_first(tmp_path):
    # PS3.3 10.7.1.3: first the distance of rows, then that of columns
    assert read(tmp_path).geometry.pixel_pitch_mm == (0.5, 0.6)


def test_the_tube_is_never_guessed_from_the_angles(tmp_path):
    picture = read(tmp_path, ViewPosition="AP")
    assert picture.geometry.tube is None
    assert says(picture, "under or over the table. It calls the view AP")
    assert read(tmp_path, told=Told(tube=Tube.UNDER_TABLE)).geometry.tube is Tube.UNDER_TABLE


@pytest.mark.parametrize("zeros", [{"PositionerPrimaryAngle": 0.0, "PositionerSecondaryAngle": 0.0}])
def test_zero_angles_of_a_mobile_c_arm_are_no_truth(tmp_path, zeros):
    picture = read(tmp_path, **zeros)
    assert picture.geometry.primary_deg is None
    assert picture.geometry.secondary_deg is None
    assert says(picture, "positioner angles 0 / 0")


def test_one_angle_of_zero_beside_another_that_is_not_is_taken(tmp_path):
    known = read(tmp_path, PositionerPrimaryAngle=0.0, PositionerSecondaryAngle=25.0).geometry
    assert (known.primary_deg, known.secondary_deg) == (0.0, 25.0)


@pytest.mark.parametrize(
    ("field", "value", "name"),
    [
        ("DistanceSourceToDetector", 0.0, "source_detector_mm"),
        ("DistanceSourceToDetector", 100.0, "source_detector_mm"),  # written in cm
        ("DistanceSourceToPatient", 1200.0, "source_isocenter_mm"),  # behind the detector
        ("DistanceSourceToPatient", 0.0, "source_isocenter_mm"),
        ("PositionerPrimaryAngle", 270.0, "primary_deg"),  # PS3.3 C.8.7.5: +-180
        ("PositionerSecondaryAngle", 120.0, "secondary_deg"),  # +-90
        ("ImagerPixelSpacing", [0.0, 0.0], "pixel_pitch_mm"),
        ("ImagerPixelSpacing", [1.0e-3, 1.0e-3], "pixel_pitch_mm"),  # metres
        ("ImagerPixelSpacing", [10.0, 10.0], "pixel_pitch_mm"),
    ],
)
def test_what_can_not_be_is_none_and_named(tmp_path, field, value, name):
    picture, whole = read(tmp_path, **{field: value}), read(tmp_path)
    assert getattr(picture.geometry, name) is None
    assert getattr(whole.geometry, name) is not None
    assert len(set(picture.doubts) - set(whole.doubts)) >= 1


@pytest.mark.parametrize("missing", [n for n in C_ARM_FIELDS if n != "PixelIntensityRelationship"])
def test_what_is_missing_is_none_and_named(tmp_path, missing):
    picture, whole = read(tmp_path, without=[missing]), read(tmp_path)
    lost = [k for k, v in vars(whole.geometry).items() if v is not None and getattr(picture.geometry, k) is None]
    if missing.startswith("Positioner"):
        assert lost == ["primary_deg" if "Primary" in missing else "secondary_deg"]
    else:
        assert len(lost) >= 1
        assert set(picture.doubts) - set(whole.doubts)


def test_the_isocentre_follows_from_the_magnification_where_only_that_is_told(tmp_path):
    # (0018,1114): SID over source-object distance (X-Ray Acquisition)
    picture = read(tmp_path, without=["DistanceSourceToPatient"], EstimatedRadiographicMagnificationFactor=1.25)
    assert picture.geometry.source_isocenter_mm == pytest.approx(800.0)
    assert says(picture, "magnification 1.25")


def test_a_magnification_that_contradicts_the_distances_is_said(tmp_path):
    picture = read(tmp_path, EstimatedRadiographicMagnificationFactor=1.1)
    assert picture.geometry.source_isocenter_mm is None
    assert says(picture, "contradicts itself")


def test_pixels_calibrated_in_the_patient_are_not_those_on_the_detector(tmp_path):
    # PS3.3 10.7.1: Imager Pixel Spacing is never calibrated, Pixel Spacing may be
    picture = read(tmp_path, PixelSpacing=[0.42, 0.35], PixelSpacingCalibrationType="FIDUCIAL")
    assert picture.geometry.pixel_pitch_mm == (0.5, 0.6)
    assert says(picture, "in the patient")
    alone = read(tmp_path, without=["ImagerPixelSpacing"], PixelSpacing=[0.42, 0.35])
    assert alone.geometry.pixel_pitch_mm is None
    assert says(alone, "doesn't say in which plane")


@pytest.mark.parametrize("modality", ["DX", "CR"])
def test_a_radiographic_unit_means_something_else_by_the_same_fields(tmp_path, modality):
    # PS3.3 C.8.11.5: distance to the table; positioner angles without saying which end
    picture = read(tmp_path, modality, PixelIntensityRelationshipSign=1)
    known = picture.geometry
    assert known.source_isocenter_mm is None
    assert known.primary_deg is None
    assert known.source_detector_mm == 1000.0
    assert says(picture, "not clear whether they tell where the tube or the detector stands")
    assert says(picture, "to the table")


def test_increments_are_added_to_the_first_frames_angle(tmp_path):
    # PS3.17 FFF.2.1.3.1.2: XA gives angles of frame 1 and increments, enhanced XA absolute ones
    run = np.stack([PICTURE] * 3)
    fields = {"PositionerPrimaryAngleIncrement": [0.0, 5.0, 10.0], "PositionerSecondaryAngleIncrement": [0, 0, 0]}
    assert [read(tmp_path, frame=n, pixels=run, **fields).geometry.primary_deg for n in (1, 2, 3)] == [12.0, 17.0, 22.0]
    short = read(tmp_path, frame=3, pixels=run, PositionerPrimaryAngleIncrement=[0.0, 5.0])
    assert short.geometry.primary_deg is None


def enhanced(angles):
    shared = group(
        XRayGeometrySequence=item(DistanceSourceToDetector=1050.0, DistanceSourceToIsocenter=720.0),
        FramePixelDataPropertiesSequence=item(ImagerPixelSpacing=[0.8, 0.8], PixelIntensityRelationship="LOG"),
    )
    own = [
        group(
            PositionerPositionSequence=item(PositionerPrimaryAngle=a, PositionerSecondaryAngle=1.0),
            PatientOrientationInFrameSequence=item(PatientOrientation=["L", "F"]),
        )
        for a in angles
    ]
    return {
        "SharedFunctionalGroupsSequence": Sequence([shared]),
        "PerFrameFunctionalGroupsSequence": Sequence(own),
        "NumberOfFrames": len(angles),
    }


@pytest.mark.parametrize("frame", [1, 2, 3])
def test_enhanced_xa_tells_each_frames_own_angles(tmp_path, frame):
    angles = [-30.0, 0.0, 30.0]
    ds = dicom(np.stack([PICTURE] * 3), "XA", **enhanced(angles))
    picture = read_radiograph(saved(ds, tmp_path / "e.dcm"), frame=frame)
    known = picture.geometry
    assert (known.primary_deg, known.secondary_deg) == (angles[frame - 1], 1.0)
    assert (known.source_detector_mm, known.source_isocenter_mm) == (1050.0, 720.0)
    assert known.pixel_pitch_mm == (0.8, 0.8)
    assert known.columns_to_left is True
    assert picture.frame == frame


def test_a_mirrored_picture_says_so_and_one_of_unknown_sides_asks(tmp_path):
    mirrored = read(tmp_path, PatientOrientation=["R", "F"])
    assert mirrored.geometry.columns_to_left is False
    assert says(mirrored, "mirrored")
    unknown = read(tmp_path, without=["PatientOrientation"], FieldOfViewHorizontalFlip="YES", FieldOfViewRotation=90)
    assert unknown.geometry.columns_to_left is None
    assert says(unknown, "on which side of the picture the patient's left lies. It was flipped and turned by 90 deg")
    answered = read(tmp_path, without=["PatientOrientation"], told=Told(patient_orientation=("L", "F")))
    assert answered.geometry.columns_to_left is True
    assert not says(answered, "on which side")


def test_an_image_intensifier_is_said_to_bend_the_picture(tmp_path):
    assert says(read(tmp_path, IntensifierSize=230.0), "intensifier bends")
    assert not says(read(tmp_path), "intensifier")


def test_what_the_user_says_wins_and_a_contradiction_is_named(tmp_path):
    picture = read(tmp_path, told=Told(pixel_pitch_mm=0.4, source_detector_mm=990.0))
    assert picture.geometry.pixel_pitch_mm == (0.4, 0.4)
    assert picture.geometry.source_detector_mm == 990.0
    assert says(picture, "the file says 0.5 mm")
    assert says(picture, "the file says 1000")
