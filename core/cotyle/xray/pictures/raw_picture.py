"""A picture as its file shows it, before its polarity and its field are known."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.xray.pictures.patient_mark import PatientMark
from cotyle.xray.pictures.radiograph import KnownGeometry

MIN_SIDE_PX = 128
"""Fewer rows or columns show no pelvis that could be measured on (a preview is about this small); our choice."""

MAX_PIXELS = 2**26
"""Pixels of one picture: 8192 x 8192."""


@dataclass(frozen=True)
class Doubt:
    """A sentence for the surgeon, and which field of the geometry it speaks of (empty: none)."""

    text: str
    about: str = ""


@dataclass(frozen=True, eq=False)
class RawPicture:
    """One picture of a file.

    Parameters
    ----------
    shown:
        float32, shape (rows, columns): grows with brightness on a screen; stored units, no window applied.
    light_is_attenuation:
        Whether light means attenuation, as the file says it; None if it doesn't.
    told_by:
        What in the file says so; empty if nothing does.
    binding:
        Whether that is a statement about the beam, not a custom of display.
    excluded:
        Pixels that the file itself, or a colour, marks as no part of the picture. Shape (rows, columns).
    kind:
        DICOM modality or kind of file.
    frame:
        Number of the frame, from 1; None if the file holds one.
    digest:
        Of the file's SOP Instance UID; empty for what is no DICOM object.
    """

    shown: npt.NDArray[np.float32]
    kind: str
    light_is_attenuation: bool | None = None
    told_by: str = ""
    binding: bool = False
    excluded: npt.NDArray[np.bool_] | None = None
    geometry: KnownGeometry = field(default_factory=KnownGeometry)
    doubts: tuple[Doubt, ...] = ()
    frame: int | None = None
    patient: PatientMark | None = None
    digest: str = ""


def require_picture_size(columns: int, rows: int) -> None:
    """Refuse a picture that is too small to measure on or too large to be one.

    Raises
    ------
    InputError
        ``picture-tiny`` or ``picture-too-large``.
    """
    if min(columns, rows) < MIN_SIDE_PX:
        raise InputError(
            "picture-tiny",
            f"the picture has only {columns} x {rows} pixels",
            f"Give the picture itself, not a preview: at least {MIN_SIDE_PX} pixels each way",
        )
    if columns * rows > MAX_PIXELS:
        raise InputError("picture-too-large", f"the picture has {columns} x {rows} pixels", "Export it smaller")


def chosen_frame(frame: int | None, count: int, what: str = "frames") -> int:
    """Return which frame (from 1) is meant; never the first of several.

    Raises
    ------
    InputError
        ``picture-frames`` if there are several and none was named, ``picture-frame-number`` if it does not exist.
    """
    if frame is None:
        if count > 1:
            raise InputError(
                "picture-frames",
                f"the file holds {count} {what} and it is not said which one is meant",
                f"Name one, 1 to {count}",
            )
        return 1
    if not 1 <= frame <= count:
        raise InputError("picture-frame-number", f"there is no frame {frame} of {count}", f"Choose from 1 to {count}")
    return frame


def luminance(rgb: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
    """Return the brightness of colours (..., 3): 0.299 R + 0.587 G + 0.114 B, DICOM PS3.3 C.7.6.3.1.2 (YBR_FULL)."""
    # in double precision, so that grey stays the whole number it was
    return np.asarray(np.asarray(rgb, dtype=float) @ np.array([0.299, 0.587, 0.114]), dtype=np.float32)


def colored_pixels(rgb: npt.NDArray[np.generic]) -> npt.NDArray[np.bool_] | None:
    """Return which pixels are drawn in colour: no X-ray is; None for a screen that is tinted all over.

    A colour is a spread of the three channels above an eighth of the brightest value; our choice, above the colour
    noise of JPEG.
    """
    channels = np.asarray(rgb, dtype=np.float32)
    spread = channels.max(axis=-1) - channels.min(axis=-1)
    found = spread > max(float(channels.max()), 1.0) / 8.0
    return None if found.mean() > 0.25 else np.asarray(found)
