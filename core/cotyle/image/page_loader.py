"""Loading pictures of a screen (PNG, JPEG, TIFF, BMP) by SimpleITK, as a child process does it.

Asked with ``{"path", "reader"}``, the child answers with the size first, so that the parent can refuse it, then with
the pixels.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk

from cotyle.errors import InputError
from cotyle.image.apart import ChildDiedError, can_start_child, child
from cotyle.image.in_child import Answers, limit_memory, received_request
from cotyle.image.limits import DECODER_MEMORY_BYTES, DECODER_START_S, MAX_PICTURE_VALUES

SizeCheck = Callable[[tuple[int, ...]], None]


class DamagedPictureError(Exception):
    """The file cannot be read as what its first bytes say it is."""


def main() -> None:
    """Do what standard input asks for."""
    answers, request = Answers(), received_request()
    limit_memory(DECODER_MEMORY_BYTES)

    def say_size(size: tuple[int, ...]) -> None:
        answers.send({"size": size})
        limit_memory(DECODER_MEMORY_BYTES + 64 * int(np.prod(size)))

    try:
        answers.send({}, load_here(Path(request["path"]), request["reader"], say_size))
    except (DamagedPictureError, InputError, MemoryError):
        answers.send({"damaged": True})


def load_pages(path: Path, reader: str, check_size: SizeCheck) -> npt.NDArray[Any]:
    """Return the pages of a picture file: (pages, rows, columns), or (pages, rows, columns, channels) in colour.

    Parameters
    ----------
    path:
        The file.
    reader:
        SimpleITK's name of the reader for its format.
    check_size:
        Is told columns, rows and perhaps pages before any pixel is decoded, and raises what it does not want.

    Raises
    ------
    DamagedPictureError
    """
    if not can_start_child():
        return load_here(path, reader, check_size)
    try:
        with child("page_loader", {"path": str(path.absolute()), "reader": reader}) as loader:
            size = tuple(int(n) for n in loader.answer(DECODER_START_S)["size"])
            check_size(size)
            head = loader.answer(DECODER_START_S)
            shape = tuple(int(n) for n in head["shape"])
            if len(shape) not in {3, 4} or min(shape) < 1 or int(np.prod(shape, dtype=object)) > MAX_PICTURE_VALUES:
                raise ChildDiedError
            return loader.array(head, shape, DECODER_START_S)
    except (ChildDiedError, KeyError, TypeError, ValueError) as error:
        raise DamagedPictureError from error


def load_here(path: Path, reader: str, check_size: SizeCheck) -> npt.NDArray[Any]:
    """Load the pages in this process; see :func:`load_pages`."""
    file = sitk.ImageFileReader()
    file.SetImageIO(reader)
    file.SetFileName(str(path))
    try:
        file.ReadImageInformation()
        size = tuple(int(n) for n in file.GetSize())
        check_size(size)
        if int(np.prod(size, dtype=object)) * file.GetNumberOfComponents() > MAX_PICTURE_VALUES:
            raise DamagedPictureError
        image = file.Execute()
    except RuntimeError as error:
        raise DamagedPictureError from error
    array = sitk.GetArrayFromImage(image)
    return array if image.GetDimension() == 3 else array[None]
