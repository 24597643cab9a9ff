"""A real X-ray picture as the rest of the house takes it: one polarity, a mask, and what is known of the machine."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.patient_mark import PatientMark


@dataclass(frozen=True)
class KnownGeometry:
    """What a picture's file, or its user, says of the machine; None where nobody has said it.

    Parameters
    ----------
    pixel_pitch_mm:
        Distance of columns and of rows on the detector.
    source_detector_mm, source_isocenter_mm:
        DICOM (0018,1110) and (0018,1111).
    primary_deg, secondary_deg:
        DICOM positioner angles (0018,1510) and (0018,1511).
    tube:
        Where the tube stood.
    patient_orientation:
        DICOM (0020,0020): the patient's directions (letters L, R, A, P, H, F, the main one first) in which column
        and row numbers grow.
    """

    pixel_pitch_mm: tuple[float, float] | None = None
    source_detector_mm: float | None = None
    source_isocenter_mm: float | None = None
    primary_deg: float | None = None
    secondary_deg: float | None = None
    tube: Tube | None = None
    patient_orientation: tuple[str, str] | None = None

    @property
    def columns_to_left(self) -> bool | None:
        """Whether column numbers grow to the patient's left; None if unknown, or where they grow neither way."""
        first = self.patient_orientation[0][:1] if self.patient_orientation else ""
        return {"L": True, "R": False}.get(first)


@dataclass(frozen=True, eq=False)
class FieldCircle:
    """The round field of an image intensifier in pixels (column, row), as seen; it may reach beyond the picture."""

    center_px: Array
    radius_px: float


@dataclass(frozen=True, eq=False)
class Radiograph:
    """One picture, ready to be measured on.

    Parameters
    ----------
    attenuation:
        float32, shape (rows, columns): grows with what the ray met; no unit, and its scale is unknown (a display curve
        may lie between it and the line integral).
    usable:
        Pixels that show the body: within the field and the collimation, no burnt-in text. Shape (rows, columns).
    geometry:
        What is known of the machine.
    modality:
        DICOM modality, or the kind of file (``PNG``).
    doubts:
        What was taken on trust or looks odd, each a sentence for the surgeon.
    frame:
        Number of the frame in its file, from 1; None where the file holds one picture.
    polarity:
        How the file showed it; ``attenuation`` grows the same way whatever it was.
    field_circle:
        The round field, where there is one.
    patient:
        Whose picture it is, only for comparing within this process.
    digest:
        Of the SOP Instance UID of a DICOM file, see :func:`cotyle.image.series_info.uid_digest`; else empty.

    Raises
    ------
    InputError
        ``picture-shape`` if picture and mask don't fit, ``picture-empty`` if no pixel is usable.
    """

    attenuation: npt.NDArray[np.float32]
    usable: npt.NDArray[np.bool_]
    geometry: KnownGeometry = field(default_factory=KnownGeometry)
    modality: str = ""
    doubts: tuple[str, ...] = ()
    frame: int | None = None
    polarity: Polarity | None = None
    field_circle: FieldCircle | None = None
    patient: PatientMark | None = None
    digest: str = ""

    def __post_init__(self) -> None:
        if self.attenuation.ndim != 2 or self.usable.shape != self.attenuation.shape:
            raise InputError("picture-shape", "picture and mask must have the same rows and columns")
        if not self.usable.any():
            raise InputError("picture-empty", "the picture shows nothing within its field")

    @property
    def size(self) -> tuple[int, int]:
        """Number of columns and of rows."""
        rows, columns = self.attenuation.shape
        return columns, rows
