"""A parser that trusts what it reads gets no more than is there, and than it needs."""

from __future__ import annotations

import zlib

import pydicom
import pytest
from cotyle.image.bounded_file import BoundedFile
from cotyle.image.dicom_scan import scan_dicom
from cotyle.image.slice_header import read_slice_headers
from dicom_phantom import make_slices
from pydicom.uid import DeflatedExplicitVRLittleEndian


def meta(*elements: bytes) -> bytes:
    return b"\0" * 128 + b"DICM" + b"".join(elements)


def short(element: int, kind: bytes, value: bytes) -> bytes:
    return b"\x02\x00" + element.to_bytes(2, "little") + kind + len(value).to_bytes(2, "little") + value


SYNTAX = short(0x10, b"UI", DeflatedExplicitVRLittleEndian.encode())


def deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(data) + packer.flush()


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize(
    "head",
    [
        meta(SYNTAX),
        meta(short(0x03, b"UI", b"1." * 2500), SYNTAX),
        meta(b"\x02\x00\x01\x01UC\0\0" + (4).to_bytes(4, "little") + b"abcd", SYNTAX),
    ],
    ids=["plain", "behind a long field", "behind a field with a long length"],
)
def test_a_file_that_inflates_a_thousandfold_is_refused_wherever_its_syntax_stands(tmp_path, head):
    (tmp_path / "bomb").write_bytes(head + deflated(b"\0" * (64 << 20)))
    with pytest.raises(ValueError, match="inflates to more than 200 times"):
        read_slice_headers(tmp_path / "bomb")
    (skipped,) = scan_dicom(tmp_path).skipped
    assert skipped.reason.startswith("broken")


def test_a_deflated_slice_is_read(tmp_path):
    (ds,) = make_slices([0.0])
    ds.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    pydicom.dcmwrite(tmp_path / "slice", ds, enforce_file_format=True)
    (header,) = read_slice_headers(tmp_path / "slice")
    assert (header.rows, header.columns) == (64, 64)


def test_a_length_beyond_the_end_takes_no_memory(tmp_path):
    (tmp_path / "short").write_bytes(b"x" * 100)
    with BoundedFile(tmp_path / "short") as file:
        assert file.read(2**62) == b"x" * 100


def test_a_header_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("cotyle.image.bounded_file.MAX_HEADER_BYTES", 1000)
    (tmp_path / "long").write_bytes(b"x" * 5000)
    with BoundedFile(tmp_path / "long") as file, pytest.raises(ValueError, match="header takes more"):
        [file.read(100) for _ in range(50)]


@pytest.mark.parametrize("frames", [0, -3, 2_000_000_000])
def test_an_impossible_number_of_frames_is_refused_at_once(tmp_path, frames):
    (ds,) = make_slices([0.0])
    ds.NumberOfFrames = frames
    ds.save_as(tmp_path / "slice", enforce_file_format=True)
    if frames == 0:  # an empty or zero count stands for one
        assert len(read_slice_headers(tmp_path / "slice")) == 1
    else:
        with pytest.raises(ValueError, match="frames"):
            read_slice_headers(tmp_path / "slice")


SEQUENCE = b"\x00\x52\x30\x92SQ\0\0"  # per-frame functional groups
ITEM, ITEM_END = b"\xfe\xff\x00\xe0\0\0\0\0", b"\xfe\xff\xdd\xe0\0\0\0\0"


@pytest.mark.parametrize("ends", ["by length", "by a mark"])
def test_a_sequence_of_a_million_empty_items_is_refused(tmp_path, ends):
    """The parser makes an object of each: 2 MiB of them would keep it busy for seconds, 32 MiB for minutes."""
    items = ITEM * 1_000_000
    sequence = SEQUENCE + len(items).to_bytes(4, "little") + items
    if ends == "by a mark":
        sequence = SEQUENCE + b"\xff\xff\xff\xff" + items + ITEM_END
    (tmp_path / "many").write_bytes(meta(short(0x10, b"UI", b"1.2.840.10008.1.2.1\0")) + sequence)
    with pytest.raises(ValueError, match="too many parts"):
        read_slice_headers(tmp_path / "many")
