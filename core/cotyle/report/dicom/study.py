"""The study that results go into, and what every object of it has in common.

Without the patient's identity unless it is asked for: then results join the patient's own study. UIDs follow from
content, and dates from the scan, so that writing again gives the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import pydicom
from pydicom import config
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian, generate_uid

from cotyle import __version__
from cotyle.case.anatomy_file import ScanSource
from cotyle.errors import InputError
from cotyle.image.bounded_file import BoundedFile
from cotyle.image.volume import Volume

MANUFACTURER = "Cotyle (research software, not a medical device)"
MODEL = "Cotyle"
SERIAL = "none"
NO_DATE, NO_TIME = "19000101", "000000"
"""Stand for a date and time that are not known or not told, where the standard wants one."""

_PATIENT = (
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "PatientIdentityRemoved",
    "DeidentificationMethod",
)
_STUDY = (
    "StudyDate",
    "StudyTime",
    "StudyID",
    "StudyDescription",
    "AccessionNumber",
    "ReferringPhysicianName",
)
_MAY_BE_EMPTY = (
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
_DATE, _TIME = re.compile(r"[12]\d{7}"), re.compile(r"[0-2]\d[0-5]\d[0-5]\d(\.\d{1,6})?")
_PATIENT_GROUP = 0x0010
_OF_THIS_MOMENT = (
    "InstanceCreationDate",
    "InstanceCreationTime",
    "SeriesDate",
    "SeriesTime",
    "DateOfSecondaryCapture",
    "TimeOfSecondaryCapture",
)


class Series(Enum):
    """The series of a case's results: number and description."""

    VIEWS = (9000, "SIMULATED X-ray views, research")
    SEGMENTATION = (9001, "Bones of the plan, research")
    MEASUREMENTS = (9002, "Measurements of the plan, research")
    REPORT = (9003, "Report of the plan, research")
    SURFACES = (9004, "Surfaces of the plan, research")
    SCAN = (9005, "Part of the CT that the plan rests on")
    COMPARISONS = (9006, "X-ray pictures against the plan, research")
    COMPARISON_PICTURES = (9007, "X-ray pictures with outlines, research")
    CHOICES = (9008, "Options and tolerance of the plan, research")


_OF_IMAGES = (Series.VIEWS, Series.SEGMENTATION, Series.SCAN, Series.COMPARISON_PICTURES)


@dataclass(frozen=True, eq=False)
class Study:
    """The study results go into.

    ``identity`` holds patient and study attributes: the patient's own, or, if ``of_nobody``, a made-up number.
    """

    study_uid: str
    identity: Dataset
    frame_of_reference_uid: str
    of_nobody: bool

    def series_uid(self, series: Series) -> str:
        """Return the UID of one series of results."""
        kind = "cotyle views" if series is Series.VIEWS else f"cotyle {series.name.lower()}"
        return str(generate_uid(entropy_srcs=[kind, self.study_uid]))

    @property
    def moment(self) -> tuple[str, str]:
        """Date and time of the scan, or of nothing: see ``NO_DATE``."""
        date, time = (str(self.identity.get(name) or "") for name in ("StudyDate", "StudyTime"))
        if not _DATE.fullmatch(date):
            return NO_DATE, NO_TIME
        return date, time if _TIME.fullmatch(time) else NO_TIME


def anonymous_study(seed: str) -> Study:
    """Return a study of nobody; the same seed gives the same study."""
    number = f"COTYLE-{hashlib.sha256(seed.encode()).hexdigest()[:12]}"
    nobody = Dataset()
    nobody.PatientName, nobody.PatientID = f"{number}^Nobody", number
    nobody.PatientIdentityRemoved = "YES"
    nobody.DeidentificationMethod = "Never read: only the CT's grid and voxels are used"
    nobody.StudyID = "1"
    nobody.StudyDescription = "Plan of a hip, no patient's identity"
    study_uid, frame_uid = (str(generate_uid(entropy_srcs=[kind, seed])) for kind in ("cotyle study", "cotyle frame"))
    return Study(study_uid, nobody, frame_uid, of_nobody=True)


def case_study(source: ScanSource, scan: Volume) -> Study:
    """Return the study of a case's results, of nobody: by the series' digest, or by voxels where there is none."""
    return anonymous_study(source.series or hashlib.sha256(scan.voxels.tobytes()).hexdigest())


def study_of(source_file: Path) -> Study:
    """Return the patient's own study as a slice of the scan names it, also where a value breaks the standard's rules.

    Raises
    ------
    InputError
        ``source-damaged``.
    """
    header = read_header(source_file)
    kept = Dataset()
    with config.disable_value_validation():
        for name in (*_PATIENT, *_STUDY):
            if name in header:
                setattr(kept, name, header[name].value)
    study_uid = str(header.get("StudyInstanceUID") or "")
    if not study_uid:
        raise InputError("source-damaged", "the CT names no study", "Export the series again")
    return Study(study_uid, kept, str(header.get("FrameOfReferenceUID") or ""), of_nobody=False)


def read_header(path: Path, what: str = "a slice of the CT") -> FileDataset:
    """Read the header of a DICOM file within the limits for files of others; text comes decoded.

    ``what`` it is called where it cannot be read.

    Raises
    ------
    InputError
        ``source-damaged``.
    """
    try:
        with config.disable_value_validation(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with BoundedFile(path) as file:
                header = pydicom.dcmread(file, stop_before_pixels=True)
                header.decode()
    except Exception as error:  # a broken file raises anything
        raise InputError("source-damaged", f"{what} cannot be read", "Export it again") from error
    return header


def placed(dataset: Dataset, study: Study, series: Series, number: int) -> Dataset:
    """Make a dataset an object of a study and series: whose it is, when, by whom; its own UID follows its content."""
    without_identity(dataset)
    for name in _OF_THIS_MOMENT:
        if name in dataset:
            delattr(dataset, name)
    for element in study.identity:
        dataset.add(element)
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.StudyInstanceUID = study.study_uid
    dataset.SeriesInstanceUID = study.series_uid(series)
    dataset.SeriesNumber, dataset.SeriesDescription = series.value
    dataset.InstanceNumber = number
    if series in _OF_IMAGES:
        dataset.BodyPartExamined = "PELVIS"
    dataset.Manufacturer, dataset.ManufacturerModelName = MANUFACTURER, MODEL
    dataset.DeviceSerialNumber, dataset.SoftwareVersions = SERIAL, __version__
    dataset.ContentDate, dataset.ContentTime = study.moment
    for equipment in dataset.get("ContributingEquipmentSequence", ()):
        equipment.pop("ContributionDateTime", None)
    _name_by_content(dataset, study)
    return dataset


def without_identity(dataset: Dataset) -> Dataset:
    """Take patient and study attributes out of a dataset; those that must be there are left empty."""
    for tag in [tag for tag in dataset.keys() if tag.group == _PATIENT_GROUP]:  # noqa: SIM118 - tags, not elements
        del dataset[tag]
    for name in _STUDY:
        if name in dataset:
            delattr(dataset, name)
    for name in _MAY_BE_EMPTY:
        setattr(dataset, name, "")
    return dataset


def as_bytes(dataset: Dataset) -> bytes:
    """Return a DICOM file."""
    buffer = io.BytesIO()
    dataset.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def new_dataset(sop_class_uid: str) -> FileDataset:
    """Return a dataset of a class, with nothing in it yet."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(sop_class_uid)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID = sop_class_uid
    return dataset


def instance_references(images: Sequence[Dataset]) -> list[Dataset]:
    """Return the items of a sequence that refers to images."""
    return [_reference(image) for image in images]


def series_reference(images: Sequence[Dataset]) -> Dataset:
    """Return the item that refers to the one series of images and to each of them."""
    item = Dataset()
    item.SeriesInstanceUID = images[0].SeriesInstanceUID
    item.ReferencedInstanceSequence = instance_references(images)
    return item


def _reference(image: Dataset) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = image.SOPClassUID
    item.ReferencedSOPInstanceUID = image.SOPInstanceUID
    return item


def _name_by_content(dataset: Any, study: Study) -> None:
    _set_uid(dataset, "0.0")
    digest = hashlib.sha256(as_bytes(dataset)).hexdigest()
    _set_uid(dataset, str(generate_uid(entropy_srcs=["cotyle object", study.study_uid, digest])))


def _set_uid(dataset: Any, uid: str) -> None:
    dataset.SOPInstanceUID = uid
    dataset.file_meta.MediaStorageSOPInstanceUID = uid
