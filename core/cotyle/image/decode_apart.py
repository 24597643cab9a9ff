"""Decoding compressed pixels in a child process with limits on memory and time.

Uncompressed pixels need no decoder and are read directly; a series without compression starts no child.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy.typing as npt

from cotyle.image.apart import ChildDiedError, can_start_child, child
from cotyle.image.decoder import decode, fault
from cotyle.image.limits import DECODER_MEMORY_BYTES, DECODER_START_S, DECODER_STEP_S, require_voxels_within_limit
from cotyle.image.slice_header import SliceHeader


class DecodingError(Exception):
    """A frame was not decoded: ``codec``, ``damaged``, or ``died`` if the process ended, by its limits or a crash.

    ``header`` is the slice it was to be.
    """

    def __init__(self, kind: str, header: SliceHeader) -> None:
        super().__init__(kind)
        self.kind, self.header = kind, header


def decode_apart(headers: Sequence[SliceHeader], raw: bool = True) -> Generator[npt.NDArray[Any]]:
    """Yield the pixels of compressed slices in order, as they are stored (``raw``) or, of colour pictures, as RGB.

    Raises
    ------
    DecodingError
        At the first slice that is not decoded.
    InputError
        ``image-too-large``.
    """
    if not headers:
        return
    for header in headers:
        require_voxels_within_limit(header.columns, header.rows, header.samples_per_pixel, 4)
    if not can_start_child():
        yield from _decoded_here(headers, raw)
        return
    with child("decoder", _request(headers, raw)) as decoder:
        for n, header in enumerate(headers):
            seconds = DECODER_STEP_S if n else DECODER_START_S
            try:
                head = decoder.answer(seconds)
                if "error" in head:
                    raise DecodingError(str(head["error"]), header)
                pixels = decoder.array(head, _shape(header), seconds)
            except ChildDiedError as error:
                raise DecodingError("died", header) from error
            yield pixels


def _shape(header: SliceHeader) -> tuple[int, ...]:
    samples = header.samples_per_pixel
    return (header.rows, header.columns) if samples == 1 else (header.rows, header.columns, samples)


def _decoded_here(headers: Sequence[SliceHeader], raw: bool) -> Iterator[npt.NDArray[Any]]:
    for path, run in groupby(headers, key=lambda h: h.path):
        frames = list(run)
        at = 0
        try:
            for pixels in decode(str(path), frames[0].transfer_syntax, [h.frame for h in frames], raw):
                yield pixels
                at += 1
        except Exception as error:  # decoders raise anything
            raise DecodingError(fault(error), frames[min(at, len(frames) - 1)]) from error


def _request(headers: Sequence[SliceHeader], raw: bool) -> dict[str, Any]:
    jobs = []
    for path, run in groupby(headers, key=lambda h: h.path):
        frames = list(run)
        absolute = str(Path(path).absolute())
        numbers = [h.frame for h in frames]
        jobs.append({"path": absolute, "syntax": frames[0].transfer_syntax, "frames": numbers, "raw": raw})
    largest_frame = max(h.rows * h.columns * max(h.samples_per_pixel, 1) for h in headers)
    largest_file = max(h.path.stat().st_size for h in headers)
    return {"memory": DECODER_MEMORY_BYTES + 32 * largest_frame + 2 * largest_file, "jobs": jobs}
