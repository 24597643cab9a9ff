"""Compressed pixels are decoded in a child process: what breaks or bloats there is one line here."""

from __future__ import annotations

import os
import stat
import sys

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.dicom_scan import scan_dicom
from cotyle.image.read import read_volume
from cotyle.image.slice_pixels import read_stored, same_pixels
from dicom_phantom import asymmetric_hu, grid_positions, make_slices, stored_pixels, write_slices
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGLSLossless, generate_uid

unix = pytest.mark.skipif(os.name == "nt", reason="needs a shell")


def small(compress=True):
    slices = make_slices(grid_positions(4, 4.0), asymmetric_hu, size=32, pixel=2.0)
    for ds in slices if compress else []:
        ds.compress(JPEGLSLossless, generate_instance_uid=False)
    return slices


@pytest.fixture
def child(monkeypatch, tmp_path):
    """Puts a shell script in the place of the child process."""

    def put(script: str) -> None:
        program = tmp_path / "no-python"
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(program.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setattr("cotyle.image.apart.sys.executable", str(program))

    return put


def refusal(folder) -> InputError:
    with pytest.raises(InputError) as error:
        read_volume(folder)
    return error.value


def test_a_stream_that_claims_a_giant_picture_is_refused_without_taking_its_memory(tmp_path):
    """JPEG-LS, ITU-T T.87: marker FFF7, then length, precision, lines and samples per line of two bytes each."""
    slices = small()
    stream = bytearray(slices[2].PixelData[16:])
    at = stream.index(b"\xff\xf7")
    stream[at + 5 : at + 9] = (65535).to_bytes(2, "big") * 2
    slices[2].PixelData = encapsulate([bytes(stream)])
    error = refusal(write_slices(tmp_path, slices))
    assert error.code == "series-pixels"


@unix
@pytest.mark.parametrize(
    "script",
    [
        "exit 3",
        "kill -9 $$",
        "echo nonsense",
        'echo \'{"dtype": "<i2", "shape": [32, 32]}\'',
        'echo \'{"dtype": "O", "shape": [32, 32]}\'',
        'echo \'{"dtype": "<i2", "shape": [70000, 70000]}\'',
        "yes | tr -d '\\n'",
        "exec sleep 60",
    ],
    ids=["ends", "is killed", "talks nonsense", "stops half-way", "sends objects", "sends too much", "floods", "hangs"],
)
def test_a_child_that_fails_is_one_line(tmp_path, monkeypatch, child, script):
    monkeypatch.setattr("cotyle.image.decode_apart.DECODER_START_S", 0.5)
    write_slices(tmp_path / "ct", small())
    child(script)
    error = refusal(tmp_path / "ct")
    assert error.code == "series-pixels"
    assert "\n" not in str(error)


@unix
def test_an_uncompressed_series_starts_no_child(tmp_path, child):
    write_slices(tmp_path / "ct", small(compress=False))
    child("exit 3")
    assert read_volume(tmp_path / "ct")[0].size == (32, 32, 4)


def test_a_program_that_embeds_python_decodes_by_itself(tmp_path, monkeypatch):
    write_slices(tmp_path, small())
    monkeypatch.setattr("cotyle.image.apart.sys.executable", "/opt/application")
    volume, _ = read_volume(tmp_path)
    np.testing.assert_array_equal(volume.voxels[1], stored_pixels(small(compress=False)[1]) - 1024)


def test_a_system_that_starts_no_process_is_one_line(tmp_path, monkeypatch):
    write_slices(tmp_path, small())
    monkeypatch.setattr("cotyle.image.apart.sys.executable", str(tmp_path / "python-that-is-not-there"))
    assert refusal(tmp_path).code == "memory"


def test_modules_beside_the_user_are_not_run(tmp_path, monkeypatch):
    write_slices(tmp_path / "ct", small())
    (tmp_path / "pydicom.py").write_text("raise SystemExit")
    (tmp_path / "json.py").write_text("raise SystemExit")
    monkeypatch.chdir(tmp_path)
    assert read_volume("ct")[0].size == (32, 32, 4)


@pytest.mark.skipif(sys.platform != "linux", reason="the limit is set on Linux")
def test_the_child_writes_no_file_and_takes_no_more_than_it_may():
    import subprocess

    code = (
        "import numpy, tempfile\n"
        "from cotyle.image.in_child import limit_memory as _limit\n"
        "_limit(100_000_000)\n"
        "numpy.ones(5_000_000)\n"
        "try: numpy.ones(50_000_000)\n"
        "except MemoryError: print('memory')\n"
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "try:\n"
        "    with tempfile.TemporaryFile() as file: file.write(b'x'); file.flush()\n"
        "except OSError: print('file')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["memory", "file"], done.stderr


def test_twins_compressed_in_other_ways_are_told_in_one_go(tmp_path):
    plain, packed = small(compress=False), small()
    for ds in packed:
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    write_slices(tmp_path / "a", plain)
    write_slices(tmp_path / "b", packed)
    by_place = {}
    for header in scan_dicom(tmp_path).headers:
        by_place.setdefault(header.position_lps_mm, []).append(header)
    pairs = [tuple(pair) for _, pair in sorted(by_place.items(), key=lambda item: item[0][2])]
    assert same_pixels(pairs) == [True] * 4
    crossed = [(pairs[0][0], pairs[1][1]), pairs[2]]
    assert same_pixels(crossed) == [False, True]
    assert len(list(read_stored([h for pair in pairs for h in pair]))) == 8
