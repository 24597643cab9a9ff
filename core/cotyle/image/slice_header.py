"""What the header of one DICOM slice says, be it a file of its own or one frame of many."""

from __future__ import annotations

import hashlib
import math
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedCTImageStorage,
)

from cotyle.image.bounded_file import BoundedFile
from cotyle.image.limits import MAX_FRAMES

NATIVE_SYNTAXES = frozenset(
    (ImplicitVRLittleEndian, "1.2.840.10008.1.2.1", ExplicitVRBigEndian)  # uncompressed; 1.2.1: explicit little
)
_LOSSY_SYNTAXES = frozenset(  # JPEG baseline and extended, JPEG-LS near-lossless
    ("1.2.840.10008.1.2.4.50", "1.2.840.10008.1.2.4.51", "1.2.840.10008.1.2.4.81")
)
_READ = """
    TransferSyntaxUID SOPClassUID SOPInstanceUID StudyInstanceUID SeriesInstanceUID FrameOfReferenceUID Modality
    SeriesNumber SeriesDescription ImageType ConvolutionKernel AcquisitionNumber TemporalPositionIdentifier
    InstanceNumber Rows Columns PixelSpacing ImageOrientationPatient ImagePositionPatient RescaleSlope
    RescaleIntercept RescaleType PhotometricInterpretation SamplesPerPixel BitsAllocated BitsStored
    PixelRepresentation PixelPaddingValue GantryDetectorTilt PatientPosition NumberOfFrames ReconstructionDiameter
    SharedFunctionalGroupsSequence PerFrameFunctionalGroupsSequence PixelPresentation SpecificCharacterSet
    LossyImageCompression
""".split()  # noqa: SIM905
_IDENTITY = """
    PatientName PatientID OtherPatientIDs OtherPatientNames PatientBirthDate PatientBirthName PatientMotherBirthName
    PatientAddress PatientTelephoneNumbers AccessionNumber StudyID ReferringPhysicianName PerformingPhysicianName
    OperatorsName RequestingPhysician
""".split()  # noqa: SIM905
_NUMBERS = frozenset(
    """
    PixelSpacing ImageOrientationPatient ImagePositionPatient RescaleSlope RescaleIntercept GantryDetectorTilt
    ReconstructionDiameter
""".split()  # noqa: SIM905
)
_SHORTEST_REDACTED = 3  # letters of Latin script; shorter ones would blank half of any text
_CT_CLASSES = frozenset((CTImageStorage, EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage))
_PIXEL_DATA_TAG = (0x7FE0, 0x0010)
_UNDEFINED_LENGTH = 0xFFFFFFFF


class BrokenHeaderError(ValueError):
    """A header that is not what it says of itself; the text holds nothing of the patient."""


class NotAnImageError(Exception):
    """A DICOM file without pixels, such as a report or a directory."""


@dataclass(frozen=True, eq=False, slots=True)
class SliceHeader:
    """One slice: where its pixels are, how they become HU, and where they lie in the patient.

    ``label`` is the file's base name (with the number of the frame, if it has several), cleared of the patient's
    identity; only it may be shown. ``pixel_spacing_mm`` is (between rows, between columns), ``orientation`` the
    directions of a row and of a column in LPS, ``position_lps_mm`` the centre of the first pixel: each as in the
    header, ``None`` where the header lacks it, NaN where it holds no number; a ``slope`` or ``intercept`` that it lacks
    is NaN. ``patient`` tells patients apart and is never shown. ``pixel_offset`` is where uncompressed pixels begin in
    the file, ``pixel_bytes`` how many bytes of them there are.
    """

    path: Path
    frame: int
    label: str
    sop_uid: str
    study_uid: str
    patient: str
    series_uid: str
    frame_of_reference_uid: str
    modality: str
    series_number: int | None
    description: str
    image_type: tuple[str, ...]
    kernel: str
    acquisition: str
    instance: int | None
    rows: int
    columns: int
    pixel_spacing_mm: tuple[float, ...] | None
    orientation: tuple[float, ...] | None
    position_lps_mm: tuple[float, ...] | None
    slope: float
    intercept: float
    rescale_type: str
    pixel_presentation: str
    photometric: str
    samples_per_pixel: int
    bits_allocated: int
    bits_stored: int
    signed: bool
    padding: int | None
    gantry_tilt_deg: float | None
    reconstruction_diameter_mm: float | None
    patient_position: str
    transfer_syntax: str
    frames_in_file: int
    lossy: bool
    pixel_offset: int | None
    pixel_bytes: int

    @property
    def pixels_are_there(self) -> bool:
        """Whether the file holds the uncompressed pixels that its header speaks of; True if they are compressed."""
        if self.pixel_offset is None:
            return True
        samples = self.rows * self.columns * self.samples_per_pixel * (self.frame + 1)
        return samples * self.bits_allocated // 8 <= self.pixel_bytes

    @property
    def is_scout(self) -> bool:
        """Whether the header calls it a localizer."""
        return "LOCALIZER" in self.image_type


def read_slice_headers(path: Path) -> tuple[SliceHeader, ...]:
    """Read the slices of one DICOM file; pixels are left alone.

    Raises
    ------
    NotAnImageError
        It is DICOM, but holds no pixels.
    Exception
        Whatever the parser raises on a broken file: the caller notes it and goes on.
    """
    with BoundedFile(path) as file:
        force = not _has_preamble(file)
        dataset = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=[*_READ, *_IDENTITY], force=force)
        syntax = str(getattr(dataset.file_meta, "TransferSyntaxUID", "") or _guessed_syntax(dataset))
        if "Rows" not in dataset or "Columns" not in dataset:
            if dataset.get("SOPClassUID") in _CT_CLASSES:
                raise BrokenHeaderError("a CT slice is cut short in its header")
            raise NotAnImageError(path.name)
        pixels = _native_pixels(file, syntax)
    redact = _Redactor(dataset)
    groups = list(_functional_groups(dataset))
    return tuple(
        _slice_header(path, n, len(groups), [*sources, dataset], syntax, pixels, redact)
        for n, sources in enumerate(groups)
    )


def looks_like_dicom(path: Path) -> bool:
    """Whether the first bytes are those of a DICOM file, with or without the preamble."""
    with path.open("rb") as file:
        head = file.read(132)
    return (
        head[128:132] == b"DICM"
        or head[:4] in {b"\x08\x00\x05\x00", b"\x08\x00\x00\x00", b"\x08\x00\x08\x00"}
        or (head[:4] in {b"\x02\x00\x00\x00", b"\x00\x08\x00\x05", b"\x00\x08\x00\x08", b"\x08\x00\x16\x00"})
    )


def _has_preamble(file: BinaryIO) -> bool:
    file.seek(128)
    found = file.read(4) == b"DICM"
    file.seek(0)
    return found


def _guessed_syntax(dataset: Dataset) -> str:
    """Return the syntax the parser settled on where the file does not state one."""
    implicit, little = getattr(dataset, "original_encoding", (True, True))
    if implicit:
        return str(ImplicitVRLittleEndian)
    return "1.2.840.10008.1.2.1" if little else str(ExplicitVRBigEndian)


def _native_pixels(file: BoundedFile, syntax: str) -> tuple[int | None, int]:
    """Return where uncompressed pixels begin and how many bytes there are; None if they are compressed.

    The next bytes of the file must be those of the pixel element.
    """
    if syntax not in NATIVE_SYNTAXES:
        return None, 0
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    start = file.tell()
    head = file.read(12)
    if len(head) < 12 or struct.unpack(order + "HH", head[:4]) != _PIXEL_DATA_TAG:
        return None, 0
    implicit = syntax == ImplicitVRLittleEndian
    (length,) = struct.unpack(order + "I", head[4:8] if implicit else head[8:12])
    if length == _UNDEFINED_LENGTH:  # compressed after all
        return None, 0
    offset = start + (8 if implicit else 12)
    return offset, min(length, file.size - offset)


def _functional_groups(dataset: Dataset) -> Iterator[list[Dataset]]:
    """Yield, for each frame, the datasets in which to look a value up, the frame's own first."""
    per_frame = dataset.get("PerFrameFunctionalGroupsSequence")
    frames = int(dataset.get("NumberOfFrames") or 1)
    if not 1 <= frames <= MAX_FRAMES or len(per_frame or ()) > MAX_FRAMES:
        raise BrokenHeaderError(f"it speaks of {frames} frames")
    if per_frame and len(per_frame) != frames:
        raise BrokenHeaderError(f"it speaks of {frames} frames and describes {len(per_frame)}")
    if not per_frame:
        yield from ([] for _ in range(frames))
        return
    shared = [macro for group in dataset.get("SharedFunctionalGroupsSequence") or () for macro in _macros(group)]
    for group in per_frame:
        yield [*_macros(group), *shared]


def _macros(group: Dataset) -> list[Dataset]:
    return [element.value[0] for element in group if element.VR == "SQ" and element.value]


def _slice_header(
    path: Path,
    frame: int,
    frames: int,
    sources: list[Dataset],
    syntax: str,
    pixels: tuple[int | None, int],
    redact: _Redactor,
) -> SliceHeader:
    def get(*keywords: str) -> Any:
        for source in sources:
            for keyword in keywords:
                value = _value(source, keyword)
                if value is not None and value != "":
                    return value
        return None

    def text(*keywords: str) -> str:
        value = get(*keywords)
        if isinstance(value, str) or value is None:
            return (value or "").strip()
        return "\\".join(map(str, value)) if hasattr(value, "__iter__") else str(value)

    bits_allocated = int(get("BitsAllocated") or 16)
    name = redact(path.name)
    several = frames > 1
    return SliceHeader(
        path=path,
        frame=frame,
        label=f"{name} frame {frame + 1}" if several else name,
        sop_uid=text("SOPInstanceUID"),
        study_uid=text("StudyInstanceUID"),
        patient=_patient(sources[-1]),
        series_uid=text("SeriesInstanceUID"),
        frame_of_reference_uid=text("FrameOfReferenceUID"),
        modality=text("Modality").upper(),
        series_number=_integer(get("SeriesNumber")),
        description=redact(text("SeriesDescription")),
        image_type=tuple(text("FrameType", "ImageType").upper().split("\\")),
        kernel=text("ConvolutionKernel"),
        acquisition="/".join(
            text(*keywords)
            for keywords in (("FrameAcquisitionNumber", "AcquisitionNumber"), ("TemporalPositionIdentifier",))
        ),
        instance=_integer(get("InstanceNumber")),
        rows=int(get("Rows")),
        columns=int(get("Columns")),
        pixel_spacing_mm=_numbers(get("PixelSpacing"), 2),
        orientation=_numbers(get("ImageOrientationPatient"), 6),
        position_lps_mm=_numbers(get("ImagePositionPatient"), 3),
        slope=_number(get("RescaleSlope"), math.nan),
        intercept=_number(get("RescaleIntercept"), math.nan),
        rescale_type=text("RescaleType").upper(),
        pixel_presentation=text("PixelPresentation").upper(),
        photometric=text("PhotometricInterpretation").upper(),
        samples_per_pixel=int(get("SamplesPerPixel") or 1),
        bits_allocated=bits_allocated,
        bits_stored=int(get("BitsStored") or bits_allocated),
        signed=bool(get("PixelRepresentation") or 0),
        padding=_integer(get("PixelPaddingValue")),
        gantry_tilt_deg=_number(get("GantryDetectorTilt"), math.nan),
        reconstruction_diameter_mm=_number(get("ReconstructionDiameter"), math.nan),
        patient_position=text("PatientPosition").upper(),
        transfer_syntax=syntax,
        frames_in_file=frames,
        lossy=text("LossyImageCompression") == "01" or syntax in _LOSSY_SYNTAXES,
        pixel_offset=pixels[0],
        pixel_bytes=pixels[1],
    )


def _patient(dataset: Dataset) -> str:
    """Return a digest of the patient's number and birth date, or of the name where there is no number."""
    number = str(dataset.get("PatientID") or "").strip()
    who = number or str(dataset.get("PatientName") or "").strip()
    born = str(dataset.get("PatientBirthDate") or "").strip()
    return hashlib.sha256(f"{who}\n{born}".encode(errors="replace")).hexdigest()[:16]


def _value(source: Dataset, keyword: str) -> Any:
    """Return a value, or its bare text where it should be a number and is none (a comma for a point)."""
    try:
        return source.get(keyword)
    except (ValueError, TypeError, OverflowError):
        if keyword not in _NUMBERS:
            raise
        return "not a number"


def _numbers(value: Any, count: int) -> tuple[float, ...] | None:
    if isinstance(value, str):
        return (math.nan,) * count
    if value is None or not hasattr(value, "__len__") or len(value) != count:
        return None
    return tuple(_number(item, math.nan) for item in value)


def _number(value: Any, otherwise: float) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return otherwise


def _integer(value: Any) -> int | None:
    try:
        return int(value)
    except (TypeError, ValueError):
        return None


class _Redactor:
    """Takes names, numbers and birth date of the patient, and names of those who treat them, out of a text."""

    def __init__(self, dataset: Dataset) -> None:
        words: set[str] = set()
        for keyword in _IDENTITY:
            for word in re.split(r"[\s^=\\,\[\]']+", str(dataset.get(keyword) or "")):
                if len(word) >= (_SHORTEST_REDACTED if word.isascii() else 1):
                    words.add(re.escape(word))
        longest_first = sorted(words, key=len, reverse=True)
        self._pattern = re.compile("|".join(longest_first), re.IGNORECASE) if words else None

    def __call__(self, text: str) -> str:
        """Return the text with each such word replaced by an asterisk, and control characters by blanks."""
        clean = "".join(c if c.isprintable() else " " for c in text)
        return self._pattern.sub("*", clean) if self._pattern else clean
