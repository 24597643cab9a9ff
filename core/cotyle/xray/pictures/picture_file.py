"""Reading a real X-ray picture: the one way in for DICOM and for pictures of a screen."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.image_loader import image_kind
from cotyle.image.slice_header import looks_like_dicom
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.dicom_picture import read_dicom_picture
from cotyle.xray.pictures.field import find_field
from cotyle.xray.pictures.polarity import decide_polarity
from cotyle.xray.pictures.radiograph import KnownGeometry, Radiograph
from cotyle.xray.pictures.raw_picture import Doubt, RawPicture
from cotyle.xray.pictures.region import Region
from cotyle.xray.pictures.screen_picture import read_screen, screen_kind

BLACK_SHARE = 0.01
"""A picture is empty if its middle 99 % spans less than this share of its values' range; our choice."""

_WIDEST_PIXEL_MM = 10.0  # no detector's, nor a screen's
_PITCH_AGREES = 0.02


@dataclass(frozen=True)
class Told:
    """What the user says of a picture; it wins over the file, and a contradiction is said.

    Parameters
    ----------
    polarity:
        How the file shows it.
    pixel_pitch_mm:
        On the detector: one number, or between columns and between rows.
    tube, source_detector_mm, source_isocenter_mm, primary_deg, secondary_deg, patient_orientation:
        As in :class:`~cotyle.xray.pictures.radiograph.KnownGeometry`.
    region:
        First column, first row, columns and rows of the part that is the X-ray picture, where the file holds more.
    """

    polarity: Polarity | None = None
    pixel_pitch_mm: float | tuple[float, float] | None = None
    tube: Tube | None = None
    source_detector_mm: float | None = None
    source_isocenter_mm: float | None = None
    primary_deg: float | None = None
    secondary_deg: float | None = None
    patient_orientation: tuple[str, str] | None = None
    region: Region | None = None


def read_radiograph(path: str | Path, frame: int | None = None, told: Told | None = None) -> Radiograph:
    """Read one X-ray picture, bring it to one polarity, and find its field.

    Parameters
    ----------
    path:
        A DICOM file (XA, RF, DX, CR, Secondary Capture, enhanced XA and XRF) or a PNG, JPEG, TIFF or BMP file of a
        screen.
    frame:
        Number of the frame or page, from 1; needed where the file holds several.
    told:
        What the user says of it.

    Returns
    -------
    Radiograph
        Rows and columns as in the file: nothing is turned, mirrored or cropped. What the file leaves open is None in
        its geometry, and named in its doubts.

    Raises
    ------
    InputError
        ``input-missing``, ``picture-folder``, ``picture-format``, ``picture-volume``, ``picture-black``,
        ``picture-region``, ``picture-pitch``, ``picture-polarity`` (which way grey grows must be said) and those of
        :func:`~cotyle.xray.pictures.dicom_picture.read_dicom_picture` and
        :func:`~cotyle.xray.pictures.screen_picture.read_screen`. No message names the file: it may bear a name.
    """
    said = told if told is not None else Told()
    raw = _read(Path(path), frame)
    region = _region_mask(said.region, raw.shown.shape)
    _require_content(raw.shown[region])
    field = find_field(raw.shown, raw.excluded, region)
    polarity, how = decide_polarity(raw, field, said.polarity)
    geometry, said_doubts = _with_told(raw.geometry, said)
    sign = np.float32(1.0 if polarity is Polarity.BONE_LIGHT else -1.0)
    return Radiograph(
        attenuation=sign * raw.shown,
        usable=field.usable,
        geometry=geometry,
        modality=raw.kind,
        doubts=(*_still_open(raw.doubts, said), *said_doubts, *how, *field.doubts),
        frame=raw.frame,
        polarity=polarity,
        field_circle=field.circle,
        patient=raw.patient,
        digest=raw.digest,
    )


def _read(path: Path, frame: int | None) -> RawPicture:
    if not path.exists():
        raise InputError("input-missing", "there is no such picture", "Check the path")
    if path.is_dir():
        raise InputError("picture-folder", "this is a folder", "Give the file of one picture")
    try:
        with path.open("rb") as file:
            kind = screen_kind(file.read(16))
        dicom = looks_like_dicom(path)
    except OSError as error:
        raise InputError("input-unreadable", "the picture cannot be read", "Check its permissions") from error
    if dicom:
        return read_dicom_picture(path, frame)
    if kind:
        return read_screen(path, kind, frame)
    if image_kind(path):
        raise InputError("picture-volume", "this is a 3D volume, not a picture", "Give one X-ray picture")
    raise InputError(
        "picture-format", "this is no picture that can be read", "Give a DICOM, PNG, JPEG, TIFF or BMP file"
    )


def _region_mask(region: Region | None, shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    mask = np.ones(shape, dtype=bool)
    if region is not None:
        column, row, columns, rows = region
        fits = min(column, row) >= 0 and column + columns <= shape[1] and row + rows <= shape[0]
        if not fits or min(columns, rows) < 1:
            raise InputError(
                "picture-region",
                f"the part {region} does not lie within the picture of {shape[1]} x {shape[0]} pixels",
                "Give first column, first row, columns, rows",
            )
        mask[:] = False
        mask[row : row + rows, column : column + columns] = True
    return mask


def _require_content(values: npt.NDArray[np.float32]) -> None:
    if not np.isfinite(values).all():
        raise InputError("picture-pixels", "the picture holds values that are no numbers", "Export it again")
    low, high = np.percentile(values, [0.5, 99.5])
    if high - low <= BLACK_SHARE * max(float(np.ptp(values)), 1.0):
        raise InputError("picture-black", "the picture is of one grey all over", "Give one that was exposed")


def _with_told(known: KnownGeometry, said: Told) -> tuple[KnownGeometry, tuple[str, ...]]:
    """Return the geometry with what the user said, and a sentence where the two differ."""
    changes: dict[str, object] = {
        name: value
        for name in (
            "tube",
            "source_detector_mm",
            "source_isocenter_mm",
            "primary_deg",
            "secondary_deg",
            "patient_orientation",
        )
        if (value := getattr(said, name)) is not None
    }
    doubts = []
    if said.pixel_pitch_mm is not None:
        pitch = said.pixel_pitch_mm
        pair = (float(pitch), float(pitch)) if isinstance(pitch, int | float) else (float(pitch[0]), float(pitch[1]))
        if not (np.isfinite(pair).all() and min(pair) > 0 and max(pair) <= _WIDEST_PIXEL_MM):
            raise InputError(
                "picture-pitch", f"pixels of {pair[0]:g} x {pair[1]:g} mm are no size", "Give mm per pixel"
            )
        if known.pixel_pitch_mm is not None and abs(pair[0] / known.pixel_pitch_mm[0] - 1.0) > _PITCH_AGREES:
            doubts.append(f"Pixels of {pair[0]:g} mm were given; the file says {known.pixel_pitch_mm[0]:g} mm.")
        changes["pixel_pitch_mm"] = pair
    for name, value in changes.items():
        found = getattr(known, name)
        if name != "pixel_pitch_mm" and found is not None and found != value:
            doubts.append(f"{name} was given as {value}; the file says {found}.")
    return replace(known, **changes), tuple(doubts)  # type: ignore[arg-type]


def _still_open(doubts: tuple[Doubt, ...], said: Told) -> tuple[str, ...]:
    """Leave out what the user has answered."""
    return tuple(d.text for d in doubts if not d.about or getattr(said, d.about) is None)
