"""A file for parsers that trust what they read: they get no more of it than is there, and than they need."""

from __future__ import annotations

import io
import os
import zlib
from pathlib import Path

from cotyle.image.limits import MAX_HEADER_BYTES, MAX_HEADER_ITEMS, MAX_HEADER_READS, MAX_INFLATED_BYTES, MAX_INFLATION

_ALWAYS_INFLATED = 1 << 20
_CHUNK = 1 << 16
_SMALL = 64
_read = io.BufferedReader.read
_ITEM_TAGS = (b"\xfe\xff\x00\xe0", b"\xff\xfe\xe0\x00")  # little and big endian


class BoundedFile(io.BufferedReader):
    """A file opened for reading a DICOM header.

    A length that the file states but does not have is cut to what is there before memory is taken for it. The one
    thing that the parser reads to the end is a deflated data set, which it then inflates without a limit of its own;
    so that is inflated here first, piece by piece, and refused if it grows too large.

    Raises
    ------
    ValueError
        On reading more than ``most_bytes`` (``MAX_HEADER_BYTES`` if not given), or on a deflated rest beyond
        ``MAX_INFLATED_BYTES`` or ``MAX_INFLATION``; on more reads than ``MAX_HEADER_READS`` or more items than
        ``MAX_HEADER_ITEMS``, over which the parser would sit for minutes.
    """

    def __init__(self, path: Path, most_bytes: int | None = None) -> None:
        super().__init__(io.FileIO(path))
        self.size = os.fstat(self.fileno()).st_size
        self._taken = self._reads = self._items = 0
        self._most = MAX_HEADER_BYTES if most_bytes is None else most_bytes

    def read(self, size: int | None = -1, /) -> bytes:
        """Return the next bytes, within the limits."""
        if size is None or size < 0:
            start = self.tell()
            self._require_bounded_rest()
            self.seek(start)
            return super().read()
        self._reads += 1
        if size <= _SMALL:  # nearly all; their number bounds their bytes
            if self._reads > MAX_HEADER_READS:
                raise ValueError("its header has too many parts")
            return _read(self, size)
        data = _read(self, min(size, self.size))
        self._count_items(data)
        self._taken += len(data)
        if self._taken > self._most:
            raise ValueError(f"its header takes more than {self._most >> 20} MiB")
        return data

    def _count_items(self, data: bytes) -> None:
        """Count what looks like items of sequences, each of which the parser makes an object of."""
        self._items += sum(data.count(tag) for tag in _ITEM_TAGS)
        if self._items > MAX_HEADER_ITEMS:
            raise ValueError("its header has too many parts")

    def _require_bounded_rest(self) -> None:
        inflate, total, taken = zlib.decompressobj(-zlib.MAX_WBITS), 0, 0
        while chunk := super().read(_CHUNK):
            taken += len(chunk)
            while chunk:
                piece = inflate.decompress(chunk, 1 << 22)
                total += len(piece)
                self._count_items(piece)
                if total > MAX_INFLATED_BYTES:
                    raise ValueError(f"it inflates to more than {MAX_INFLATED_BYTES >> 20} MiB")
                if total > _ALWAYS_INFLATED and total > MAX_INFLATION * taken:
                    raise ValueError(f"it inflates to more than {MAX_INFLATION} times its size")
                chunk = inflate.unconsumed_tail
