"""Simulated views as DICOM Secondary Capture, for a picture archive.

Without the patient's identity unless it is asked for: then the picture joins the patient's own study.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from cotyle import __version__
from cotyle.case.anatomy_file import ScanSource
from cotyle.case.simulated import SimulatedView
from cotyle.files import atomic_path
from cotyle.space.arrays import Array

MANUFACTURER = "Cotyle (research software, not a medical device)"
_IDENTITY = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)


@dataclass(frozen=True, eq=False)
class PictureStudy:
    """The study a picture goes into; ``identity`` is empty unless the patient's identity is kept."""

    study_uid: str
    identity: Dataset


def anonymous_study(seed: str) -> PictureStudy:
    """Return a study of nobody; the same seed gives the same study."""
    return PictureStudy(str(generate_uid(entropy_srcs=["cotyle study", seed])), Dataset())


def case_study(source: ScanSource) -> PictureStudy:
    """Return the study of a case's pictures, of nobody."""
    return anonymous_study(source.series or str(source.size))


def study_of(source_file: Path) -> PictureStudy:
    """Return the patient's own study as a slice of the scan names it."""
    header = pydicom.dcmread(source_file, stop_before_pixels=True)
    kept = Dataset()
    for name in _IDENTITY:
        if name in header:
            setattr(kept, name, header[name].value)
    return PictureStudy(str(header.StudyInstanceUID), kept)


def write_picture(
    path: Path, picture: npt.NDArray[np.uint8], view: SimulatedView, study: PictureStudy, number: int
) -> None:
    """Write an RGB picture (rows, columns, 3) of a view; equal pictures get equal UIDs."""
    from highdicom.sc import SCImage  # half a second to import; only who writes pictures waits

    carm = view.view.carm
    digest = hashlib.sha256(picture.tobytes()).hexdigest()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        capture: Any = SCImage(
            pixel_array=picture,
            photometric_interpretation="RGB",
            bits_allocated=8,
            coordinate_system="PATIENT",
            study_instance_uid=study.study_uid,
            series_instance_uid=str(generate_uid(entropy_srcs=["cotyle views", study.study_uid])),
            series_number=9000,
            sop_instance_uid=str(generate_uid(entropy_srcs=["cotyle view", study.study_uid, digest])),
            instance_number=number,
            manufacturer=MANUFACTURER,
            patient_orientation=(_letter(carm.column_direction_lps), _letter(carm.row_direction_lps)),
            **_identity(study.identity),
        )
    capture.SeriesDescription = "SIMULATED X-ray views, research"
    capture.ImageComments = f"SIMULATED from CT. {view.view.description}"[:10240]
    capture.SoftwareVersions = __version__
    capture.BurnedInAnnotation = "NO"
    capture.ContentQualification = "RESEARCH"
    buffer = io.BytesIO()
    capture.save_as(buffer)
    with atomic_path(path) as temporary:
        temporary.write_bytes(buffer.getvalue())


def _letter(direction_lps: Array) -> str:
    """Return the DICOM letter of the patient's direction that is nearest."""
    axis = int(np.argmax(np.abs(direction_lps)))
    return "LPH"[axis] if direction_lps[axis] > 0 else "RAF"[axis]


def _identity(kept: Dataset) -> dict[str, Any]:
    def text(name: str) -> str | None:
        value = kept.get(name)
        return str(value) if value not in (None, "") else None

    return {
        "patient_id": text("PatientID"),
        "patient_name": text("PatientName"),
        "patient_birth_date": text("PatientBirthDate"),
        "patient_sex": text("PatientSex"),
        "accession_number": text("AccessionNumber"),
        "study_id": text("StudyID"),
        "study_date": text("StudyDate"),
        "study_time": text("StudyTime"),
        "referring_physician_name": text("ReferringPhysicianName"),
    }
