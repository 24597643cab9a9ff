"""The images that results refer to: the patient's own series, or a copy of the case's scan that names nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage
from pydicom.valuerep import DS

from cotyle.case.anatomy_file import ScanSource
from cotyle.errors import InputError
from cotyle.image.series_check import SliceStack
from cotyle.image.volume import Volume
from cotyle.report.dicom.study import Series, Study, new_dataset, placed, read_header, study_of, without_identity

_INT16 = np.iinfo(np.int16)


@dataclass(frozen=True, eq=False)
class Source:
    """Study and images that results refer to.

    Parameters
    ----------
    study:
        Where results go.
    images:
        One dataset a slice along k, or one of several frames. Of the patient's series the headers alone; of a copy
        the whole, to be written with the results.
    grid:
        Whose voxel planes the images are; None where the scan was repaired and its grid is no longer theirs.
    """

    study: Study
    images: tuple[Dataset, ...]
    grid: Volume | None


def source_of(stack: SliceStack, source: ScanSource) -> Source:
    """Return the patient's own study and the headers of its series.

    Raises
    ------
    InputError
        ``source-damaged``, ``source-no-frame``.
    """
    paths = tuple(dict.fromkeys(each.path for each in stack.slices))
    study = study_of(paths[0])
    if not study.frame_of_reference_uid:
        raise InputError(
            "source-no-frame",
            "the CT names no frame of reference, so that nothing can be placed in it",
            "Export without --source, into a study of its own",
        )
    images = tuple(_header(path) for path in paths)
    return Source(study, images, None if source.repairs else source.grid)


def copied_source(study: Study, scan: Volume) -> Source:
    """Return the case's scan as CT images of nobody."""
    slope, stored = _stored(scan.voxels)
    images = tuple(_slice(study, scan, k, stored[k], slope) for k in range(len(stored)))
    return Source(study, images, scan)


def _header(path: Path) -> Dataset:
    """Return a slice's header; whose it is stands in the study."""
    header = without_identity(read_header(path))
    header.SpecificCharacterSet = "ISO_IR 192"
    if "PositionReferenceIndicator" not in header:
        header.PositionReferenceIndicator = ""
    return header


def _stored(voxels: Any) -> tuple[float, Any]:
    """Return rescale slope and 16-bit voxels: HU as they are, or in steps where they don't fit."""
    if voxels.dtype == np.int16:
        return 1.0, voxels
    most = float(np.abs(voxels).max())
    slope = 1.0 if most <= _INT16.max else float(np.ceil(most / _INT16.max))
    return slope, np.rint(voxels / slope).astype(np.int16)


def _slice(study: Study, scan: Volume, k: int, pixels: Any, slope: float) -> Dataset:
    image = new_dataset(CTImageStorage)
    spacing, directions = scan.spacing_mm, scan.directions
    image.ImageType = ["DERIVED", "SECONDARY", "AXIAL"]
    image.Modality = "CT"
    image.FrameOfReferenceUID, image.PositionReferenceIndicator = study.frame_of_reference_uid, ""
    image.ImagePositionPatient = decimals(scan.to_lps([0, 0, k]))
    image.ImageOrientationPatient = decimals([*directions[:, 0], *directions[:, 1]])
    image.PixelSpacing = decimals([spacing[1], spacing[0]])
    image.SliceThickness, image.SpacingBetweenSlices = decimals([spacing[2], spacing[2]])
    image.PatientPosition = ""
    image.KVP = image.AcquisitionNumber = None
    image.DerivationDescription = "Part of a CT round the bones of the hip; values in whole HU"
    image.BurnedInAnnotation, image.ContentQualification = "NO", "RESEARCH"
    image.SamplesPerPixel, image.PhotometricInterpretation = 1, "MONOCHROME2"
    image.Rows, image.Columns = pixels.shape
    image.BitsAllocated, image.BitsStored, image.HighBit, image.PixelRepresentation = 16, 16, 15, 1
    image.RescaleIntercept, image.RescaleSlope, image.RescaleType = *decimals([0.0, slope]), "HU"
    image.WindowCenter, image.WindowWidth = decimals([400.0, 2000.0])
    image.PixelData = np.ascontiguousarray(pixels, dtype="<i2").tobytes()
    return placed(image, study, Series.SCAN, k + 1)


def decimals(values: Sequence[float] | Any) -> list[Any]:
    """Return decimal strings of at most 16 characters."""
    return [DS(float(value) + 0.0, auto_format=True) for value in values]
