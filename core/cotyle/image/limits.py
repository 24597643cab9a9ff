"""How much input Cotyle takes before it says no, so that a crafted or mistaken input cannot eat the machine."""

from __future__ import annotations

from cotyle.errors import InputError

MAX_FILES = 20_000
"""Files looked at in one folder tree."""

MAX_VOXELS = 2**30
"""Voxels of one volume: 2 GiB as int16; a 1024 x 1024 matrix of 1024 slices."""

MAX_INFLATED_BYTES = 512 * 2**20
"""Bytes that one deflated DICOM file may grow to."""


def require_voxels_within_limit(columns: int, rows: int, slices: int) -> None:
    """Refuse a size before anything is allocated for it.

    Raises
    ------
    InputError
        ``image-too-large``.
    """
    if columns * rows * slices > MAX_VOXELS:
        raise InputError(
            "image-too-large",
            f"the image has {columns} x {rows} x {slices} voxels, more than the {MAX_VOXELS} that are taken",
            "Export only the pelvis, or a smaller matrix",
        )
