"""Loading NIfTI, NRRD and MetaImage files by SimpleITK, as a child process does it; see :func:`load_image`.

Asked with ``{"path"}``, the child answers with the header's facts and the voxels, or with the error to raise.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk

from cotyle.errors import InputError
from cotyle.image.in_child import Answers, limit_memory, received_request, refuse
from cotyle.image.limits import DECODER_MEMORY_BYTES, GZIP_GROWTH, require_voxels_within_limit
from cotyle.image.memory import require_memory

_KINDS = {
    ".nii": "nifti",
    ".nii.gz": "nifti",
    ".nrrd": "nrrd",
    ".nhdr": "nrrd",
    ".mha": "metaimage",
    ".mhd": "metaimage",
}
_HEADER_BYTES = 1 << 20
# where a header names the file of its voxels: metaImageDoc (MetaIO) and the NRRD format's "data file"
_DATA_FILE = {
    "metaimage": re.compile(rb"ElementDataFile\s*[=:]\s*([^\r\n]*)", re.IGNORECASE),
    "nrrd": re.compile(rb"^[ \t]*data ?file[ \t]*:[ \t]*([^\r\n]*)", re.IGNORECASE | re.MULTILINE),
}


@dataclass(frozen=True, eq=False)
class LoadedImage:
    """Voxels ``[k, j, i]`` as the file has them, the affine from (i, j, k) to LPS mm, and the header's text fields."""

    voxels: npt.NDArray[Any]
    ijk_to_lps: npt.NDArray[np.float64]
    fields: dict[str, str]


def image_kind(path: Path) -> str:
    """Return ``nifti``, ``nrrd`` or ``metaimage`` by the file's suffix; empty for others."""
    name = path.name.lower()
    return next((kind for suffix, kind in _KINDS.items() if name.endswith(suffix)), "")


def main() -> None:
    """Do what standard input asks for."""
    answers, request = Answers(), received_request()
    limit_memory(DECODER_MEMORY_BYTES)
    try:
        image = load_here(Path(request["path"]), limit_memory)
        answers.send({"ijk_to_lps": image.ijk_to_lps.tolist(), "fields": image.fields}, image.voxels)
    except InputError as error:
        refuse(answers, error)
    except (MemoryError, RuntimeError):
        refuse(answers, damaged(Path(request["path"])))


def load_here(path: Path, limit: Callable[[int], None] | None = None) -> LoadedImage:
    """Load an image in this process.

    ``limit`` is called with the memory that the voxels may take, once the header has been found to be in order.

    Raises
    ------
    InputError
        ``image-damaged``, ``image-sheared``, ``image-not-3d``, ``image-too-large``, ``image-outside``, ``memory``.
    """
    available = _data_bytes(path)
    reader = sitk.ImageFileReader()
    reader.SetFileName(str(path))
    try:
        reader.ReadImageInformation()
    except RuntimeError as error:
        if "orthonormal" in str(error):
            what = f"the grid of {path.name} is sheared"
            raise InputError("image-sheared", what, "Give the DICOM series instead") from error
        raise damaged(path) from error
    size = [int(n) for n in reader.GetSize()]
    _require_one_volume(path, reader, size)
    voxel_bytes = _voxel_bytes(reader.GetPixelID())
    require_voxels_within_limit(size[0], size[1], size[2], voxel_bytes)
    needed = int(np.prod(size, dtype=object)) * voxel_bytes
    if needed > available * GZIP_GROWTH:
        raise InputError("image-damaged", f"{path.name} holds less data than its header says", "Export it again")
    require_memory(3 * needed)  # here, on its way to the parent, and as HU
    if limit is not None:
        limit(DECODER_MEMORY_BYTES + 2 * needed + available)
    fields = _fields(reader)
    try:
        image = reader.Execute()
    except RuntimeError as error:
        raise damaged(path) from error
    image = image[:, :, :, 0] if image.GetDimension() == 4 else image
    affine = np.eye(4)
    affine[:3, :3] = np.reshape(image.GetDirection(), (3, 3)) * np.array(image.GetSpacing())
    affine[:3, 3] = image.GetOrigin()
    return LoadedImage(sitk.GetArrayFromImage(image), affine, fields)


def _fields(reader: Any) -> dict[str, str]:
    """Return the header's text fields; those that are no text are left out."""
    fields = {}
    for key in reader.GetMetaDataKeys():
        with suppress(TypeError, UnicodeError):
            value = reader.GetMetaData(key)
            key.encode()
            value.encode()
            fields[key] = value
    return fields


def damaged(path: Path) -> InputError:
    """Return the error of a file that cannot be read."""
    what = f"{path.name} cannot be read: damaged or not what its name says"
    return InputError("image-damaged", what, "Export it again")


def _require_one_volume(path: Path, reader: Any, size: list[int]) -> None:
    several = len([n for n in size if n > 1]) > 3 or len(size) not in {3, 4}
    if several or reader.GetNumberOfComponents() != 1 or min(size) < 1 or _voxel_bytes(reader.GetPixelID()) == 0:
        raise InputError("image-not-3d", f"{path.name} is not one grey image of three axes", "Export a single volume")


def _voxel_bytes(pixel_id: int) -> int:
    """Return the bytes of one voxel; 0 for kinds that are no grey image."""
    return {
        sitk.sitkInt8: 1,
        sitk.sitkUInt8: 1,
        sitk.sitkInt16: 2,
        sitk.sitkUInt16: 2,
        sitk.sitkInt32: 4,
        sitk.sitkUInt32: 4,
        sitk.sitkInt64: 8,
        sitk.sitkUInt64: 8,
        sitk.sitkFloat32: 4,
        sitk.sitkFloat64: 8,
    }.get(pixel_id, 0)


def _data_bytes(path: Path) -> int:
    """Return the size of the file that holds the voxels, which a header may name only beside or below itself.

    Raises
    ------
    InputError
        ``image-outside``, ``image-damaged``.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEADER_BYTES)
        size = path.stat().st_size
    except OSError as error:
        raise damaged(path) from error
    kind = image_kind(path)
    if kind == "nrrd":
        head = re.split(rb"\r?\n\r?\n", head, maxsplit=1)[0]
    for named in _DATA_FILE[kind].findall(head) if kind in _DATA_FILE else ():
        text = named.decode("utf-8", "replace").strip()
        if kind == "metaimage" and text.upper() == "LOCAL":
            continue
        size = max(size, _size_within(path, text))
    return size


def _size_within(path: Path, named: str) -> int:
    folder = path.parent.resolve()
    if not named or "\0" in named or "%" in named or named.upper().startswith("LIST"):
        raise InputError("image-outside", f"{path.name} is spread over several files", "Export it as one file")
    file = (folder / named).resolve()
    if not file.is_relative_to(folder):
        raise InputError("image-outside", f"{path.name} takes its voxels from another folder", "Export it as one file")
    if not file.is_file():
        raise InputError("image-damaged", f"the file of voxels that {path.name} names is not there", "Copy it as well")
    return file.stat().st_size
