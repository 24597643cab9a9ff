"""The search for a planted patient finds it wherever a format may hide it, and nothing where there is none."""

import base64
import gzip
import io
import json
import zipfile
import zlib

import pytest
from PIL import Image, PngImagePlugin
from pydicom.dataset import Dataset

from tests.identity import SECRETS, plant, traces


def in_png_text():
    info, buffer = PngImagePlugin.PngInfo(), io.BytesIO()
    info.add_text("Title", "by 山彦日向", zip=True)
    Image.new("L", (4, 4)).save(buffer, "PNG", pnginfo=info)
    return buffer.getvalue()


def in_a_packed_array():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("a", "x" * 99 + "Sunniva")
    return buffer.getvalue()


HIDDEN = {
    "plain": b"...SAMPLETHWAITE...",
    "UTF-16": "x Sunniva".encode("utf-16"),
    "Latin-1": "Søraa".encode("latin-1"),
    "Shift JIS": "山彦日向".encode("shift_jis"),
    "Korean": "사공선녀".encode("euc_kr"),
    "JSON escapes": json.dumps("山彦日向").encode(),
    "character references": b"S&#248;raa",
    "percent": b"/S%C3%B8raa/",
    "NRRD's gzip": b"NRRD0004\n\n" + gzip.compress(b"pixels sunniva pixels"),
    "PDF stream": b"%PDF-1.7 stream\n" + zlib.compress(b"(Sunniva) Tj") + b"endstream",
    "PNG text": in_png_text(),
    "picture in a page": b"<img src='data:image/png;base64," + base64.b64encode(in_png_text()) + b"'>",
    "zip": in_a_packed_array(),
}


@pytest.mark.parametrize("way", HIDDEN)
def test_a_name_is_found_however_it_is_hidden(way, tmp_path):
    file = tmp_path / "out.bin"
    file.write_bytes(b"\x78\x9c, no stream" + HIDDEN[way] if way != "zip" else HIDDEN[way])
    assert traces(tmp_path), way


def test_names_of_files_and_folders_are_looked_at(tmp_path):
    (tmp_path / "Sunniva").mkdir()
    (tmp_path / "Sunniva" / "a").write_bytes(b"")
    assert len(traces(tmp_path)) == 2


def test_nothing_is_found_where_nothing_is(tmp_path):
    (tmp_path / "a").write_bytes(bytes(range(256)) * 100)
    assert traces(tmp_path, "a sample of a sun") == []


def test_every_secret_is_planted(tmp_path):
    ds = plant(Dataset())
    text = str(ds) + ds.PatientComments
    assert all(secret in text for secret in SECRETS)
