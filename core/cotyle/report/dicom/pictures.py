"""Pictures as DICOM Secondary Capture, with the place of tube and detector; those of a case that were simulated.

The object has no standard attributes for that place (positioner angles belong to real X-ray objects, and this is none):
it stands in a private block, and in words in the comments.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import SecondaryCaptureImageStorage

from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically
from cotyle.image.bounded_file import BoundedFile
from cotyle.report.dicom.study import Series, Study, as_bytes, instance_references, placed
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm, Tube

PRIVATE_GROUP = 0x0099
PRIVATE_CREATOR = "COTYLE XRAY GEOMETRY 1"
_FIELDS = {
    0x01: "source_lps_mm",
    0x02: "detector_origin_lps_mm",
    0x03: "column_direction_lps",
    0x04: "row_direction_lps",
    0x05: "pixel_pitch_mm",
}
_TUBE, _FRAME_OF_REFERENCE = 0x06, 0x07
_MOST_BYTES = 256 * 1024 * 1024
_LONGEST_COMMENT = 10240
_USUAL = ("L", "F")


@dataclass(frozen=True, eq=False)
class StoredPicture:
    """A simulated view as it lies in a case: RGB (rows, columns, 3), what it shows, and tube and detector for them."""

    pixels: npt.NDArray[np.uint8]
    description: str
    carm: CArm


@dataclass(frozen=True, eq=False)
class Capture:
    """A picture to be captured: RGB (rows, columns, 3), words, and tube and detector for its pixels, if known.

    ``may_bear_text``: whether parts of a real picture are in it, which may bear burnt-in text.
    """

    pixels: npt.NDArray[np.uint8]
    comments: str
    derivation: str
    carm: CArm | None
    may_bear_text: bool


def write_picture(path: Path, picture: StoredPicture, study: Study, number: int) -> None:
    """Write the picture of a view; equal pictures get equal UIDs."""
    write_bytes_atomically(path, as_bytes(picture_object(picture, study, number)))


def picture_object(picture: StoredPicture, study: Study, number: int, source: Sequence[Dataset] = ()) -> Dataset:
    """Return the Secondary Capture of a view; ``source`` are the images it was simulated from, if they are told."""
    capture = Capture(
        picture.pixels,
        f"{_SIMULATED}{picture.description}",
        "Simulated from a CT; the planned cup is drawn on it",
        picture.carm,
        may_bear_text=False,
    )
    return capture_object(capture, study, Series.VIEWS, number, source)


def capture_object(
    capture: Capture, study: Study, series: Series, number: int, source: Sequence[Dataset] = ()
) -> Dataset:
    """Return a picture as Secondary Capture; ``source``: the images it was made from, if they are told."""
    from highdicom.sc import SCImage  # half a second to import; only who writes pictures waits

    carm = capture.carm
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made: Any = SCImage(
            pixel_array=capture.pixels,
            photometric_interpretation="RGB",
            bits_allocated=8,
            coordinate_system="PATIENT",
            study_instance_uid=study.study_uid,
            series_instance_uid=study.series_uid(series),
            series_number=series.value[0],
            sop_instance_uid="0.0",
            instance_number=number,
            manufacturer="",
            patient_orientation=_USUAL if carm is None else _orientation(carm),
        )
    made.ImageComments = capture.comments[:_LONGEST_COMMENT]
    made.DerivationDescription = capture.derivation
    if not capture.may_bear_text:
        made.BurnedInAnnotation = "NO"
    made.ContentQualification = "RESEARCH"
    if source:
        made.SourceImageSequence = instance_references(source)
    if carm is not None:
        _write_geometry(made, carm, study.frame_of_reference_uid)
    return placed(made, study, series, number)


def read_picture(path: Path) -> StoredPicture:
    """Read a simulated view that :func:`write_picture` wrote.

    Raises
    ------
    InputError
        ``view-damaged``; ``view-no-geometry`` for one of an older Cotyle.
    """
    remedy = "Make it again with 'cotyle xray'"
    try:
        with BoundedFile(path, most_bytes=_MOST_BYTES) as file:
            capture = pydicom.dcmread(file)
            capture.decode()
        if capture.SOPClassUID != SecondaryCaptureImageStorage:
            raise ValueError("not a secondary capture")
        pixels = np.ascontiguousarray(capture.pixel_array)
        description = str(capture.ImageComments).removeprefix(_SIMULATED)
    except Exception as error:  # a broken file raises anything
        raise InputError("view-damaged", f"{path.name} is no simulated view that can be read", remedy) from error
    carm = _read_geometry(capture)
    if carm is None:
        raise InputError("view-no-geometry", f"{path.name} does not say where tube and detector were", remedy)
    return StoredPicture(pixels, description, carm)


_SIMULATED = "SIMULATED from CT. "


def _write_geometry(capture: Dataset, carm: CArm, frame_of_reference_uid: str) -> None:
    block = capture.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    for element, name in _FIELDS.items():
        block.add_new(element, "FD", [float(value) for value in getattr(carm, name)])
    block.add_new(_TUBE, "LO", str(carm.tube.value))
    if frame_of_reference_uid:
        block.add_new(_FRAME_OF_REFERENCE, "UI", frame_of_reference_uid)


def _read_geometry(capture: Dataset) -> CArm | None:
    try:
        block = capture.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
        fields: dict[str, Any] = {name: [float(v) for v in block[element].value] for element, name in _FIELDS.items()}
        pitch = fields.pop("pixel_pitch_mm")
        size = (int(capture.Columns), int(capture.Rows))
        return CArm(**fields, pixel_pitch_mm=(pitch[0], pitch[1]), size=size, tube=Tube(block[_TUBE].value))
    except (KeyError, IndexError, TypeError, ValueError):
        return None


def _orientation(carm: CArm) -> tuple[str, str]:
    return _letter(carm.column_direction_lps), _letter(carm.row_direction_lps)


def _letter(direction_lps: Array) -> str:
    """Return the DICOM letter of the patient's direction that is nearest."""
    axis = int(np.argmax(np.abs(direction_lps)))
    return "LPH"[axis] if direction_lps[axis] > 0 else "RAF"[axis]
