"""Headers that contradict themselves: which of two statements is true can't be known from them, so it is said."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from cotyle.image.slice_header import SliceHeader
from cotyle.image.verdict import Finding, doubt, fatal
from cotyle.space.arrays import Array

TILT_TOLERANCE_DEG = 0.05
"""A shear below this (0.2 mm over 200 mm) is taken for rounding of the positions."""

SAME_WIDTH = 0.02
"""Share by which a slice may be wider than the diameter that was reconstructed. Common practice, no source."""

_LYING = {  # what faces down in LPS, by the end of a patient position (DICOM PS3.3, C.7.3.1.1.2)
    "S": ("supine", (0.0, 1.0, 0.0)),
    "P": ("prone", (0.0, -1.0, 0.0)),
    "DL": ("on the left side", (1.0, 0.0, 0.0)),
    "DR": ("on the right side", (-1.0, 0.0, 0.0)),
}
_LEAST_DOWN = 0.5  # cosine


def header_doubts(
    first: SliceHeader, column: Array, width_height_mm: tuple[float, float], tilted: bool
) -> Iterator[Finding]:
    """Yield what a series' headers say against themselves.

    Parameters
    ----------
    first:
        A slice that speaks for the others.
    column:
        Unit LPS direction down the columns.
    width_height_mm:
        Of a slice, by its pixel spacing.
    tilted:
        Whether the positions show a tilted gantry.
    """
    tilt = first.gantry_tilt_deg
    if tilt is not None and abs(tilt) > TILT_TOLERANCE_DEG and not tilted:
        text = f"the header speaks of a gantry tilt of {tilt:.1f} deg, the positions of none; they were followed"
        yield doubt("series-tilt-header", text, tilt_deg=tilt)
    yield from _lying(first, column)
    yield from _width(first, width_height_mm)


def _lying(first: SliceHeader, column: Array) -> Iterator[Finding]:
    """A scanner's axial picture has the table below; how the patient lies on it tells which way the columns run."""
    head, position = first.patient_position[:2], first.patient_position[2:]
    if head not in {"HF", "FF"} or position not in _LYING or first.image_type[:1] != ("ORIGINAL",):
        return
    words, down = _LYING[position]
    if abs(column[2]) < _LEAST_DOWN and float(column @ np.array(down)) < _LEAST_DOWN:
        text = (
            f"the header says that the patient lay {words}, but in the pictures as they are oriented something else "
            "faces down; the orientation was followed: check left, right, front and back"
        )
        yield doubt("series-position-contradicts", text)


def _width(first: SliceHeader, width_height_mm: tuple[float, float]) -> Iterator[Finding]:
    """Pixels can't cover more than the scanner reconstructed; less, they can be a part of it."""
    stated, (width, height) = first.reconstruction_diameter_mm, width_height_mm
    if stated is None or not stated > 0 or first.image_type[:1] != ("ORIGINAL",):
        return
    if max(width, height) > (1 + SAME_WIDTH) * stated:
        text = (
            f"by their pixel spacing the slices are {width:.1f} x {height:.1f} mm, but only {stated:.1f} mm were "
            "reconstructed: the pixel spacing, or the order of its two numbers, must be wrong"
        )
        yield fatal("series-pixel-spacing", text, "Export the series again", width_mm=width, height_mm=height)
