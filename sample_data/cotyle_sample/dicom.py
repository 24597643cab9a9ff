"""A synthetic scan as a DICOM series: one CT Image Storage file a slice, as a scanner's export looks."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid

INTERCEPT_HU = -1024
NOTICE = "SYNTHETIC - not a person"


def write_series(
    volume: Volume,
    folder: Path | str,
    *,
    name: str = "sample",
    series_number: int = 2,
    description: str = "Pelvis 1.0",
    against_z: bool = False,
    kernel: str = "SYNTHETIC MEDIUM",
) -> list[Path]:
    """Write an axial volume of HU as a series; the folder must be new or empty and is filled whole or not at all.

    UIDs follow from ``name``, ``series_number`` and the geometry, so that the same call writes the same files.
    ``against_z`` numbers the instances from the head down (numbers run against z), as some scanners do.

    Raises
    ------
    InputError
        ``sample-folder`` if the folder holds something, ``sample-axes`` if the slices are not axial.
    """
    folder = Path(folder)
    if folder.exists() and any(folder.iterdir()):
        raise InputError("sample-folder", f"the folder {folder.name} is not empty", "Name a new folder")
    if not np.allclose(volume.directions, np.eye(3), atol=1e-9):
        raise InputError("sample-axes", "a series is written from axial slices in LPS order only")
    folder.parent.mkdir(parents=True, exist_ok=True)
    common = _common(volume, name, series_number, description, kernel)
    count = volume.size[2]
    temporary = Path(tempfile.mkdtemp(prefix=".series-", dir=folder.parent))
    try:
        for k in range(count):
            number = count - k if against_z else k + 1
            _slice(volume, k, number, common, [name, str(series_number), str(number)]).save_as(
                temporary / f"IM{number:04d}.dcm", enforce_file_format=True
            )
        if folder.exists():
            folder.rmdir()
        temporary.rename(folder)
        folder.chmod(0o755)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise
    return sorted(folder.glob("*.dcm"))


def _common(volume: Volume, name: str, series_number: int, description: str, kernel: str) -> Dataset:
    """Attributes that all slices share."""
    d = Dataset()
    spacing = volume.spacing_mm
    d.ImageType = ["DERIVED", "SECONDARY", "AXIAL"]
    d.SOPClassUID = CTImageStorage
    d.StudyDate = d.StudyTime = d.AccessionNumber = d.ReferringPhysicianName = ""
    d.Modality = "CT"
    d.Manufacturer = "Cotyle sample generator"
    d.StudyDescription = NOTICE
    d.SeriesDescription = f"{description} {NOTICE}"[:64]
    d.ContentQualification = "RESEARCH"
    d.PatientName = "Synthetic^Subject"
    d.PatientID = "SYNTHETIC"
    d.PatientBirthDate = ""
    d.PatientSex = "O"
    d.PatientComments = NOTICE
    d.BodyPartExamined = "PELVIS"
    d.SliceThickness = _decimal(spacing[2])
    d.KVP = "120"
    d.SpacingBetweenSlices = _decimal(spacing[2])
    d.ReconstructionDiameter = _decimal(spacing[0] * volume.size[0])
    d.GantryDetectorTilt = "0"
    d.ConvolutionKernel = kernel
    d.PatientPosition = "HFS"
    d.StudyInstanceUID = generate_uid(entropy_srcs=["cotyle sample study", name])
    d.SeriesInstanceUID = generate_uid(entropy_srcs=["cotyle sample series", name, str(series_number)])
    d.FrameOfReferenceUID = generate_uid(entropy_srcs=["cotyle sample frame", name])
    d.StudyID = "1"
    d.SeriesNumber = str(series_number)
    d.PositionReferenceIndicator = ""
    d.ImageOrientationPatient = ["1", "0", "0", "0", "1", "0"]
    d.SamplesPerPixel = 1
    d.PhotometricInterpretation = "MONOCHROME2"
    d.Rows, d.Columns = volume.size[1], volume.size[0]
    d.PixelSpacing = [_decimal(spacing[1]), _decimal(spacing[0])]
    d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = 16, 16, 15, 0
    d.WindowCenter, d.WindowWidth = "400", "2000"
    d.RescaleIntercept, d.RescaleSlope, d.RescaleType = str(INTERCEPT_HU), "1", "HU"
    return d


def _slice(volume: Volume, k: int, number: int, common: Dataset, entropy: list[str]) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["cotyle sample image", *entropy])
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    file = FileDataset("", common, file_meta=meta, preamble=b"\0" * 128)
    file.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    file.InstanceNumber = str(number)
    position = volume.to_lps([0, 0, k])
    file.ImagePositionPatient = [_decimal(value) for value in position]
    file.SliceLocation = _decimal(position[2])
    stored = np.clip(volume.voxels[k].astype(np.int32) - INTERCEPT_HU, 0, 65535).astype("<u2")
    file.PixelData = stored.tobytes()
    return file


def _decimal(value: float) -> str:
    """A DICOM decimal string (at most 16 characters)."""
    return f"{round(float(value), 6):.10g}"
