"""The child process that decodes compressed DICOM pixels; see :mod:`cotyle.image.decode_apart`.

Asked with ``{"memory": bytes, "jobs": [{"path", "syntax", "frames", "raw"}]}``, it answers with each frame in turn, or
with ``{"error": "codec" or "damaged"}``.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from typing import Any

import numpy.typing as npt
import pydicom
from pydicom.pixels.utils import iter_pixels
from pydicom.uid import UID

from cotyle.image.in_child import Answers, limit_memory, received_request


def main() -> None:
    """Do what standard input asks for."""
    answers, request = Answers(), received_request()
    limit_memory(int(request["memory"]))
    for job in request["jobs"]:
        try:
            for pixels in decode(job["path"], job["syntax"], job["frames"], job["raw"]):
                answers.send({}, pixels)
        except Exception as error:  # decoders raise anything
            answers.send({"error": fault(error)})


def decode(path: str, syntax: str, frames: Sequence[int], raw: bool) -> Iterator[npt.NDArray[Any]]:
    """Yield the pixels of frames of one file, as they are stored (``raw``) or, of colour pictures, as RGB.

    Raises
    ------
    Exception
        Whatever the decoders raise.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(path, force=True)
        if "TransferSyntaxUID" not in dataset.file_meta:
            dataset.file_meta.TransferSyntaxUID = UID(syntax)
        yield from iter_pixels(dataset, indices=list(frames), raw=raw)


def fault(error: Exception) -> str:
    """Return ``codec`` if no decoder is installed for it, else ``damaged``."""
    missing = "missing dependencies" in str(error) or isinstance(error, NotImplementedError)
    return "codec" if missing else "damaged"
