"""A made-up patient, planted wherever a file may name one, and a search for any trace of it in what comes out.

The search looks into what is packed (zlib, gzip, zip), into data URIs, and at the text that a PDF shows; in the
encodings that names come in, with capitals or without.
"""

from __future__ import annotations

import base64
import contextlib
import html
import io
import re
import shutil
import subprocess
import urllib.parse
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

from pydicom.dataset import Dataset

SECRETS = (
    "Samplethwaite",
    "Sunniva",
    "Søraa",
    "山彦日向",
    "사공선녀",
    "SQ-55-0913",
    "19310417",
    "1931-04-17",
    "Squelchmere",
    "Snodgrassington",
    "SACC-771-X",
    "Snickerdale",
    "Sniffleworth",
    "Splendiferia",
)
"""Words that stand for a patient, those who treat it, and where; none occurs by chance."""

FOLDER = "Samplethwaite_Sunniva_山彦日向"
"""As people call folders."""

_ENCODINGS = (
    "utf-8", "latin-1", "utf-16-le", "utf-16-be", "utf-32-le", "shift_jis", "euc_jp", "iso2022_jp", "euc_kr", "gb18030",
    "big5",
)  # fmt: skip
_PACKED = re.compile(rb"\x78[\x01\x5e\x9c\xda]|\x1f\x8b\x08")
_MOST_UNPACKED = 256 * 1024 * 1024


def plant(ds: Dataset) -> Dataset:
    """Write the patient into a DICOM header: names in three scripts, numbers, dates, places, comments, private tags."""
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.PatientName = "Samplethwaite^Sunniva^Søraa=山彦日向=사공선녀"
    ds.OtherPatientNames = "Samplethwaite^Søraa"
    ds.PatientID, ds.OtherPatientIDs, ds.PatientBirthDate = "SQ-55-0913", "SQ-55-0913", "19310417"
    ds.PatientAddress, ds.PatientTelephoneNumbers = "7 Squelchmere Lane", "SQ-55-0913"
    ds.ReferringPhysicianName = ds.OperatorsName = ds.PerformingPhysicianName = "Snodgrassington^S"
    ds.AccessionNumber, ds.InstitutionName = "SACC-771-X", "Snickerdale Infirmary"
    ds.InstitutionAddress, ds.StationName = "Squelchmere", "Sniffleworth"
    ds.PatientComments = ds.ImageComments = "Sunniva born 1931-04-17, see SACC-771-X"
    ds.StudyDescription = "Samplethwaite Sunniva hip"
    ds.SeriesDescription = f"{ds.get('SeriesDescription', '')[:40]} Sunniva"
    ds.RequestedProcedureDescription = "Snodgrassington asks"
    block = ds.private_block(0x0099, "SPLENDIFERIA", create=True)
    block.add_new(0x01, "LO", "Splendiferia Samplethwaite")
    return ds


def traces(*places: Path | str | bytes) -> list[str]:
    """Return where a secret stands: in files and names under folders, or in printed text."""
    found = []
    for place in places:
        if not isinstance(place, Path):
            data = place.encode("utf-8", "surrogateescape") if isinstance(place, str) else place
            found += [f"printed: {secret}" for secret in _in(_layers(data))]
            continue
        files = sorted(place.rglob("*")) if place.is_dir() else [place]
        for file in files:
            name = str(file.relative_to(place.parent if place.is_file() else place))
            found += [f"name of {name}: {secret}" for secret in _in([name.encode("utf-8", "surrogateescape")])]
            if file.is_file():
                found += [f"{name}: {secret}" for secret in _in(_layers(file.read_bytes()))]
    return found


def _in(layers: Iterable[bytes]) -> list[str]:
    forms = _forms()
    found: dict[str, None] = {}
    for layer in layers:
        small = layer.lower()
        for plain in (b"\0" * 64, b"\xff" * 64):  # empty voxels and white paper take time and hide nothing
            small = small.replace(plain, b"\0\0")
        found.update(dict.fromkeys(secret for secret, each in forms if each in small))
    return list(found)


@cache
def _forms() -> list[tuple[str, bytes]]:
    """Return each secret in each encoding and way of escaping, in small letters."""
    made: dict[bytes, str] = {}
    for secret in SECRETS:
        small = secret.lower()
        for encoding in _ENCODINGS:
            with contextlib.suppress(UnicodeEncodeError):
                made[small.encode(encoding).strip(b"\0").lower()] = secret
        for text in (
            small.encode("unicode_escape"),
            urllib.parse.quote(small).lower().encode(),
            small.encode("ascii", "xmlcharrefreplace"),
            "".join(f"&#x{ord(c):x};" if ord(c) > 127 else c for c in small).encode(),
            html.escape(small).encode(),
        ):
            made[text.lower()] = secret
    return [(secret, data) for data, secret in made.items()]


def _layers(data: bytes, depth: int = 0) -> Iterator[bytes]:
    """Yield the data and whatever is packed in it."""
    yield data
    if depth > 2:
        return
    view = memoryview(data)
    for found in _PACKED.finditer(data):
        inner = _unpacked(view[found.start() :])
        if len(inner) > 3:
            yield from _layers(inner, depth + 1)
    for uri in re.findall(rb"data:[\w/+.-]+;base64,([A-Za-z0-9+/=]+)", data):
        yield from _layers(base64.b64decode(uri), depth + 1)
    if data[:4] == b"PK\x03\x04":
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            for part in parts.infolist():
                yield part.filename.encode()
                if part.compress_type:
                    yield from _layers(parts.read(part), depth + 1)
    at = data.find(b"%PDF-")
    if at >= 0 and shutil.which("pdftotext"):
        shown = subprocess.run(["pdftotext", "-", "-"], input=data[at:], capture_output=True, check=False)
        yield shown.stdout


def _unpacked(data: memoryview) -> bytes:
    try:
        if len(zlib.decompressobj(wbits=47).decompress(data[:4096], 4096)) < 4:
            return b""  # most places that look like a beginning are none
        return zlib.decompressobj(wbits=47).decompress(data, _MOST_UNPACKED)
    except zlib.error:
        return b""
