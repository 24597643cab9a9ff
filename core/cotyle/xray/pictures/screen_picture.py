"""Pictures of a screen: PNG, JPEG, TIFF and BMP, read by SimpleITK whatever their names end in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from cotyle.errors import InputError
from cotyle.image.page_loader import DamagedPictureError, load_pages
from cotyle.xray.pictures.raw_picture import (
    Doubt,
    RawPicture,
    chosen_frame,
    colored_pixels,
    luminance,
    require_picture_size,
)

_KINDS = {
    b"\x89PNG": ("PNG", "PNGImageIO"),
    b"\xff\xd8\xff": ("JPEG", "JPEGImageIO"),
    b"II*\0": ("TIFF", "TIFFImageIO"),
    b"MM\0*": ("TIFF", "TIFFImageIO"),
    b"BM": ("BMP", "BMPImageIO"),
}


def screen_kind(head: bytes) -> str:
    """Return ``PNG``, ``JPEG``, ``TIFF`` or ``BMP`` by a file's first bytes; empty for others."""
    return next((kind for start, (kind, _) in _KINDS.items() if head.startswith(start)), "")


def read_screen(path: Path, kind: str, frame: int | None = None) -> RawPicture:
    """Read a picture of this kind; ``frame`` is the page of a TIFF file of several, from 1.

    Nothing in such a file tells scale, side or polarity; a resolution in dots per inch is that of a printer.

    Raises
    ------
    InputError
        ``picture-damaged``, ``picture-frames``, ``picture-frame-number``, ``picture-tiny``, ``picture-too-large``,
        ``picture-color``.
    """
    pages = _pages(path, kind)
    number = chosen_frame(frame, len(pages), "pages")
    page = pages[number - 1]
    doubts = [
        Doubt("The file does not tell the size of a pixel on the detector.", "pixel_pitch_mm"),
        Doubt("The file does not tell on which side of the picture the patient's left lies.", "patient_orientation"),
        Doubt("The file does not tell whether the tube was under or over the table.", "tube"),
        Doubt("The file does not tell the distance from source to detector.", "source_detector_mm"),
    ]
    excluded = None
    if page.ndim == 3 and page.shape[2] in {3, 4}:
        rgb = page[..., :3]
        shown = luminance(rgb)
        if np.ptp(rgb, axis=2).any():
            excluded = colored_pixels(rgb)
            if excluded is None:
                doubts.append(Doubt("The whole picture is tinted: drawings in colour can't be told from it."))
    elif page.ndim == 2 or page.shape[2] == 2:  # grey, or grey with opacity
        shown = np.asarray(page if page.ndim == 2 else page[..., 0], dtype=np.float32)
    else:
        raise InputError("picture-color", f"the {kind} file has {page.shape[2]} channels", "Export it as grey or RGB")
    if kind == "JPEG":
        doubts.append(Doubt("JPEG blurs edges and text; a lossless picture is better."))
    return RawPicture(shown, kind, excluded=excluded, doubts=tuple(doubts), frame=number if len(pages) > 1 else None)


def _pages(path: Path, kind: str) -> list[Any]:
    def check(size: tuple[int, ...]) -> None:
        require_picture_size(size[0], size[1])
        if len(size) > 2 and int(np.prod(size)) > 2**28:
            raise InputError("picture-too-large", f"the {kind} file holds {size[2]} pages", "Export the one you mean")

    try:
        return list(load_pages(path, next(name for k, name in _KINDS.values() if k == kind), check))
    except DamagedPictureError as error:
        raise InputError("picture-damaged", f"the {kind} file is damaged", "Export it again") from error
