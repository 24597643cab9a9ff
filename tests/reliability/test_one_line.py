"""What is hostile ends, on the command line, in one line and exit code 2; nothing is written, no library chatters."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk

from tests.image.dicom_phantom import grid_positions, make_slices, write_slices
from tests.reliability.defect import RIGHT
from tests.reliability.defect_outcome import written
from tests.reliability.defects import DEFECTS


def link_outside(folder: Path) -> Path:
    (folder / "secret").write_text("mine")
    (folder / "ct").mkdir()
    (folder / "ct" / "f").symlink_to(folder / "secret")
    return folder / "ct"


def deep(folder: Path) -> Path:
    Path(folder / "ct", *["d"] * 50).mkdir(parents=True)
    return folder / "ct"


def pipe(folder: Path) -> Path:
    os.mkfifo(folder / "ct.nrrd")
    return folder / "ct.nrrd"


def voxels_elsewhere(folder: Path) -> Path:
    (folder / "raw").write_bytes(bytes(64))
    (folder / "ct").mkdir()
    header = "ObjectType = Image\nNDims = 3\nDimSize = 4 4 4\nElementType = MET_UCHAR\nElementDataFile = ../raw\n"
    (folder / "ct" / "a.mhd").write_text(header)
    return folder / "ct" / "a.mhd"


def cut_image(folder: Path) -> Path:
    image = sitk.GetImageFromArray(np.zeros((9, 9, 9), np.int16))
    sitk.WriteImage(image, str(folder / "a.nrrd"), useCompression=True)
    content = (folder / "a.nrrd").read_bytes()
    (folder / "a.nrrd").write_bytes(content[:-10])
    return folder / "a.nrrd"


def nested(folder: Path) -> Path:
    item = b""
    for _ in range(2000):
        body = b"\xfe\xff\x00\xe0" + len(item).to_bytes(4, "little") + item
        item = b"\x08\x00\x15\x11SQ\0\0" + len(body).to_bytes(4, "little") + body
    meta = b"\x02\x00\x10\x00UI\x14\x00" + b"1.2.840.10008.1.2.1\0"
    (folder / "deep.dcm").write_bytes(b"\0" * 128 + b"DICM" + meta + item)
    return folder / "deep.dcm"


def not_unicode(folder: Path) -> Path:
    name = os.fsencode(folder) + b"/ct-\xff\xfe"
    Path(os.fsdecode(name)).mkdir()
    return Path(os.fsdecode(name))


HOSTILE = {
    "link-outside": link_outside,
    "too-deep": deep,
    "input-missing": pipe,
    "image-outside": voxels_elsewhere,
    "image-damaged": cut_image,
    "series-none": nested,
}


@pytest.mark.skipif(os.name == "nt", reason="links and pipes")
@pytest.mark.parametrize("code", HOSTILE)
def test_hostile_input_is_one_line(command, tmp_path, capfd, code):
    source = HOSTILE[code](tmp_path)
    before = sorted(tmp_path.rglob("*"))
    status, out, err = command("plan", source, "--side", "left", "--out", tmp_path / "case")
    assert (status, out) == (2, "")
    lines = [line for line in err.splitlines() if not line.endswith(" ...")]
    assert len(lines) == 1
    assert lines[0].endswith(f"[{code}]")
    assert sorted(tmp_path.rglob("*")) == before
    assert capfd.readouterr().err == ""


@pytest.mark.skipif(os.name != "posix", reason="file names of bytes")
def test_a_folder_whose_name_is_no_unicode_is_one_line(command, tmp_path):
    status, _, err = command("check", not_unicode(tmp_path))
    assert status == 2
    assert err.encode("utf-8", "strict").count(b"\n") == 1


def test_a_faulty_series_is_one_line(command, tmp_path):
    (defect,) = [d for d in DEFECTS if d.name == "gantry tilt of 12 deg"]
    assert defect.plain != RIGHT
    folder = written(defect, tmp_path / "ct")
    status, out, err = command("plan", folder, "--side", "left", "--out", tmp_path / "case")
    assert (status, out) == (2, "")
    assert "[series-coverage]" in err or "[series-tilt]" in err
    assert not (tmp_path / "case").exists()


def test_check_lists_what_is_broken_beside_a_series(command, tmp_path):
    write_slices(tmp_path, make_slices(grid_positions(6), size=16))
    (tmp_path / "broken").write_bytes((tmp_path / "part0" / "f000").read_bytes()[:700])
    status, out, _ = command("check", tmp_path)
    assert status == 0
    assert "1 file in the folder begins as DICOM" in " ".join(out.split())
