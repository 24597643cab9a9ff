"""Decoding compressed pixels in a child process with limits on memory and time.

Uncompressed pixels need no decoder and are read directly; a series without compression starts no child.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Generator, Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from cotyle.image.decoder import decode, fault
from cotyle.image.limits import DECODER_MEMORY_BYTES, DECODER_START_S, DECODER_STEP_S, require_voxels_within_limit
from cotyle.image.slice_header import SliceHeader

_LONGEST_LINE = 10_000


class DecodingError(Exception):
    """A frame was not decoded: ``codec``, ``damaged``, or ``died`` if the process ended, by its limits or a crash.

    ``header`` is the slice it was to be.
    """

    def __init__(self, kind: str, header: SliceHeader) -> None:
        super().__init__(kind)
        self.kind, self.header = kind, header


def decode_apart(headers: Sequence[SliceHeader]) -> Generator[npt.NDArray[Any]]:
    """Yield the stored pixels of compressed slices in order.

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
        require_voxels_within_limit(header.columns, header.rows, 1, 4)
    if not _can_start_python():
        yield from _decoded_here(headers)
        return
    with _child(headers) as process:
        for n, header in enumerate(headers):
            with _deadline(process, DECODER_STEP_S if n else DECODER_START_S):
                pixels = _received(process.stdout, header)
            yield pixels


def _can_start_python() -> bool:
    """Whether this program is Python itself; an application that embeds it would start itself once more."""
    return "python" in Path(sys.executable or "").name.lower()


def _decoded_here(headers: Sequence[SliceHeader]) -> Iterator[npt.NDArray[Any]]:
    for path, run in groupby(headers, key=lambda h: h.path):
        frames = list(run)
        at = 0
        try:
            for pixels in decode(str(path), frames[0].transfer_syntax, [h.frame for h in frames]):
                yield pixels
                at += 1
        except Exception as error:  # decoders raise anything
            raise DecodingError(fault(error), frames[min(at, len(frames) - 1)]) from error


@contextlib.contextmanager
def _child(headers: Sequence[SliceHeader]) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", "from cotyle.image.decoder import main; main()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
    )
    try:
        assert process.stdin is not None
        with contextlib.suppress(OSError), process.stdin as pipe:  # a child that died is noticed on reading
            pipe.write(json.dumps(_request(headers)).encode())
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def _request(headers: Sequence[SliceHeader]) -> dict[str, Any]:
    jobs = []
    for path, run in groupby(headers, key=lambda h: h.path):
        frames = list(run)
        absolute = str(Path(path).absolute())
        jobs.append({"path": absolute, "syntax": frames[0].transfer_syntax, "frames": [h.frame for h in frames]})
    largest_frame = max(h.rows * h.columns * max(h.samples_per_pixel, 1) for h in headers)
    largest_file = max(h.path.stat().st_size for h in headers)
    return {"memory": DECODER_MEMORY_BYTES + 32 * largest_frame + 2 * largest_file, "jobs": jobs}


@contextlib.contextmanager
def _deadline(process: subprocess.Popen[bytes], seconds: float) -> Iterator[None]:
    timer = threading.Timer(seconds, process.kill)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _received(pipe: IO[bytes] | None, header: SliceHeader) -> npt.NDArray[Any]:
    """Return the next frame; nothing of its description is believed that the header does not allow."""
    assert pipe is not None
    line = pipe.readline(_LONGEST_LINE)
    try:
        head = json.loads(line)
        if "error" in head:
            raise DecodingError(str(head["error"]), header)
        kind, shape = np.dtype(str(head["dtype"])), tuple(int(n) for n in head["shape"])
    except (ValueError, TypeError, KeyError) as error:
        raise DecodingError("died", header) from error
    if kind.kind not in "iu" or shape != (header.rows, header.columns):
        raise DecodingError("damaged", header)
    pixels = np.empty(shape, dtype=kind)
    if pipe.readinto(pixels.reshape(-1).view(np.uint8).data) != pixels.nbytes:  # type: ignore[attr-defined]
        raise DecodingError("died", header)
    return pixels
