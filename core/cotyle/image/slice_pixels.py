"""From stored pixels to HU, one slice at a time.

Values come out by the modality's own line, HU = slope x stored + intercept (DICOM PS3.3, C.11.1.1.2), slice by slice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.uid import UID, ExplicitVRBigEndian

from cotyle.errors import InputError
from cotyle.image.decode_apart import DecodingError, decode_apart
from cotyle.image.slice_header import SliceHeader

VACUUM_HU = -1024
"""What stands where the scanner measured nothing: the lowest value of the usual 12-bit scale."""

IMPLAUSIBLE_HU = (-10_000, 40_000)
"""Extended HU scales end near 30,000, and nothing is lighter than -1024 but a scanner's filling; values beyond come
from pixels whose sign or slope the header has wrong. Common practice, no source."""

_FAILURES_BORNE = 3

Stored = npt.NDArray[Any]


def read_stored(headers: Sequence[SliceHeader]) -> Iterator[Stored]:
    """Yield the stored pixels of slices, shape (rows, columns), in the given order.

    Compressed ones are decoded in a child process, one for all of them.

    Raises
    ------
    InputError
        ``series-codec`` (no decoder), ``series-pixels`` (damaged or cut short), ``series-pixel-bits``.
    """
    decoded = decode_apart([header for header in headers if header.pixel_offset is None])
    with closing(decoded):
        for header in headers:
            yield _checked(_next_pixels(header, decoded), header)


def read_low_bits(header: SliceHeader) -> Stored:
    """Return one slice's stored bits without those above them, where old files keep a drawing; else as `read_stored`.

    Raises
    ------
    InputError
        ``series-codec``, ``series-pixels``.
    """
    with closing(decode_apart([header] if header.pixel_offset is None else [])) as decoded:
        pixels = _next_pixels(header, decoded)
    bits = header.bits_stored
    if bits >= 8 * pixels.dtype.itemsize:
        return _checked(pixels, header)
    return _checked(pixels & pixels.dtype.type((1 << bits) - 1), header)


def _next_pixels(header: SliceHeader, decoded: Iterator[Stored]) -> Stored:
    try:
        return next(decoded) if header.pixel_offset is None else _read_native(header)
    except DecodingError as error:
        raise _decoding_error(error) from error


def _read_native(header: SliceHeader) -> Stored:
    """Read uncompressed pixels straight from where they lie."""
    if header.bits_allocated not in {8, 16, 32} or header.samples_per_pixel != 1:
        raise InputError(
            "series-pixels", f"{header.label} has {header.bits_allocated}-bit pixels", "Export as 16-bit CT"
        )
    order = ">" if header.transfer_syntax == ExplicitVRBigEndian else "<"
    kind = np.dtype(f"{order}{'i' if header.signed else 'u'}{header.bits_allocated // 8}")
    count = header.rows * header.columns
    offset = (header.pixel_offset or 0) + header.frame * count * kind.itemsize
    try:
        pixels = np.fromfile(header.path, dtype=kind, count=count, offset=offset)
    except OSError as error:
        raise InputError("series-pixels", f"{header.label} cannot be read", "Check the folder") from error
    if len(pixels) < count:
        raise InputError("series-pixels", f"the pixels of {header.label} are cut short", "Copy or export it again")
    return pixels.reshape(header.rows, header.columns).astype(kind.newbyteorder("="), copy=False)


def read_colors(header: SliceHeader) -> Stored:
    """Return a colour picture as RGB, shape (rows, columns, 3), or a palette's numbers; a child process decodes it.

    Raises
    ------
    InputError
        ``series-codec``, ``series-pixels``.
    """
    try:
        (pixels,) = decode_apart([header], raw=False)
    except DecodingError as error:
        raise _decoding_error(error) from error
    return pixels


def _decoding_error(error: DecodingError) -> InputError:
    label, syntax = error.header.label, UID(error.header.transfer_syntax).name
    if error.kind == "codec":
        return InputError(
            "series-codec",
            f"no decoder for {label} ({syntax})",
            "Install python-gdcm and pyjpegls, or export the series uncompressed",
        )
    if error.kind == "died":
        what = f"the pixels of {label} ({syntax}) cannot be decoded within the limits of memory and time"
        return InputError("series-pixels", what, "Export the series uncompressed")
    return InputError("series-pixels", f"the pixels of {label} ({syntax}) are damaged", "Export it again")


def _checked(pixels: Stored, header: SliceHeader) -> Stored:
    """Keep to the stored bits: extend the sign where the header means it, refuse what does not fit."""
    if pixels.shape != (header.rows, header.columns):
        raise InputError(
            "series-pixels", f"{header.label} decodes to the shape {pixels.shape}", "Export the series again"
        )
    bits = header.bits_stored
    if bits >= 8 * pixels.dtype.itemsize:
        return pixels
    low, high = int(pixels.min()), int(pixels.max())
    if header.signed:
        half = 1 << (bits - 1)
        if -half <= low and high < half:
            return pixels
        if low >= 0 and high < 2 * half:  # negative values with their upper bits left zero
            return np.where(pixels >= half, pixels - pixels.dtype.type(2 * half), pixels)
    elif high < 1 << bits:
        return pixels
    raise InputError(
        "series-pixel-bits", f"{header.label} holds values beyond its {bits} stored bits", "Export the series again"
    )


def to_hu(stored: Stored, header: SliceHeader, out: npt.NDArray[Any]) -> bool:
    """Write a slice's HU into ``out`` (int16 or float32, rows x columns); False if int16 cannot hold them.

    Whole slopes and intercepts give exact integers; others are rounded to whole HU in int16. Padding that is no
    measurement (beyond the 12-bit scale) becomes ``VACUUM_HU``.

    Raises
    ------
    InputError
        ``series-pixel-sign`` for values that no CT gives.
    """
    stored = _without_padding(stored, header)
    slope, intercept = header.slope, header.intercept
    ends = [float(stored.min()) * slope + intercept, float(stored.max()) * slope + intercept]
    if min(ends) < IMPLAUSIBLE_HU[0] or max(ends) > IMPLAUSIBLE_HU[1]:
        raise InputError(
            "series-pixel-sign",
            f"{header.label} reaches {max(ends, key=abs):.0f} HU: the header must be wrong about sign or slope",
            "Export the series again",
        )
    if out.dtype == np.float32:
        np.multiply(stored, np.float32(slope), out=out, casting="unsafe")
        out += np.float32(intercept)
        return True
    limits = np.iinfo(np.int16)
    if min(ends) < limits.min or max(ends) > limits.max:
        return False
    if slope == 1 and intercept == int(intercept) and stored.dtype.itemsize == 2 and abs(intercept) <= limits.max:
        # Sums modulo 2**16 are right wherever the true sum fits, and it does.
        np.add(stored.view(np.int16), np.int16(intercept), out=out)
    else:
        np.rint(stored * np.float32(slope) + np.float32(intercept), out=out, casting="unsafe")
    return True


def _without_padding(stored: Stored, header: SliceHeader) -> Stored:
    """Replace padding that would read as an impossible density by vacuum."""
    if header.padding is None or header.slope <= 0:
        return stored
    padding = header.padding
    if header.signed != (padding < 0) and padding > np.iinfo(np.int16).max and header.signed:
        padding -= 1 << 16  # the header writes a signed number as an unsigned one
    hu = padding * header.slope + header.intercept
    if VACUUM_HU <= hu <= IMPLAUSIBLE_HU[1] or not np.iinfo(stored.dtype).min <= padding <= np.iinfo(stored.dtype).max:
        return stored
    vacuum = int(np.clip(round((VACUUM_HU - header.intercept) / header.slope), *_range(stored)))
    return np.where(stored == padding, stored.dtype.type(vacuum), stored)


def _range(stored: Stored) -> tuple[int, int]:
    limits = np.iinfo(stored.dtype)
    return int(limits.min), int(limits.max)


def same_pixels(pairs: Sequence[tuple[SliceHeader, SliceHeader]]) -> list[bool]:
    """Whether two slices hold the same picture in HU, for each pair; False if one cannot be decoded.

    All pairs are decoded in one go, since each go may start a decoder; after a few failures the rest are False.
    """
    same: list[bool] = []
    failures = 0
    while len(same) < len(pairs) and failures < _FAILURES_BORNE:
        rest = pairs[len(same) :]
        stored = read_stored([header for pair in rest for header in pair])
        try:
            for (one, other), a, b in zip(rest, stored, stored, strict=False):
                same.append(_same_hu(a, one, b, other))
        except InputError:
            same.append(False)
            failures += 1
    return same + [False] * (len(pairs) - len(same))


def _same_hu(a: Stored, one: SliceHeader, b: Stored, other: SliceHeader) -> bool:
    if a.shape != b.shape:
        return False
    if (one.slope, one.intercept) == (other.slope, other.intercept):
        return bool(np.array_equal(a, b))
    return bool(np.allclose(a * one.slope + one.intercept, b * other.slope + other.intercept))
