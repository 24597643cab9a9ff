"""How much input Cotyle takes before it says no, so that a crafted or mistaken input cannot eat the machine.

All are our own choices, well above any CT of a pelvis. SECURITY.md lists them.
"""

from __future__ import annotations

from cotyle.errors import InputError

MAX_FILES = 20_000
"""Files looked at in one folder tree."""

MAX_FOLDER_DEPTH = 32
"""Folders within folders."""

MAX_FRAMES = 20_000
"""Frames of one DICOM file."""

MAX_HEADER_BYTES = 32 * 2**20
"""Bytes of one DICOM file's header that are read; the functional groups of 2000 frames take some 10 MiB."""

MAX_HEADER_READS, MAX_HEADER_ITEMS = 500_000, 200_000
"""Pieces in which one header may be read, and items of sequences in it; 2000 frames take half of that."""

MAX_VOXELS = 2**30
"""Voxels of one volume: 2 GiB as int16; a 1024 x 1024 matrix of 1024 slices."""

MAX_VOXEL_BYTES = 4 * 2**30
"""Bytes of one volume as its file stores it."""

MAX_INFLATED_BYTES = 128 * 2**20
"""Bytes that one deflated DICOM file may grow to: four slices of 4096 x 4096 pixels."""

MAX_INFLATION = 200
"""Times its size that a deflated DICOM file may grow to, beyond the first MiB; a CT's noise allows 10 or so."""

GZIP_GROWTH = 1032
"""Times its size that gzip can shrink anything at most (deflate codes 258 bytes in 2 bits): less data than this
says that a header lies."""

MAX_PICTURE_VALUES = 2**30
"""Pixels times channels of all pages of one picture file."""

DECODER_MEMORY_BYTES = 512 * 2**20
"""What a decoder of compressed pixels may take beyond its picture and its file."""

DECODER_START_S, DECODER_STEP_S = 60.0, 20.0
"""How long the first picture of a decoder may take, its start included, and each further one."""

IMAGE_READING_S = 300.0
"""How long a NIfTI, NRRD or MetaImage file may take to be read."""

MAX_JSON_BYTES = 5_000_000
"""Length of a table of names."""


def require_voxels_within_limit(columns: int, rows: int, slices: int, bytes_per_voxel: int = 1) -> None:
    """Refuse a size before anything is allocated for it.

    Raises
    ------
    InputError
        ``image-too-large``.
    """
    voxels = columns * rows * slices
    if voxels > MAX_VOXELS or voxels * bytes_per_voxel > MAX_VOXEL_BYTES:
        raise InputError(
            "image-too-large",
            f"the image has {columns} x {rows} x {slices} voxels, more than the {MAX_VOXELS} that are taken",
            "Export only the pelvis, or a smaller matrix",
        )
