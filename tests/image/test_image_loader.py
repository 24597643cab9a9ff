"""Image files are read in a child process, and only as far as their headers are honest."""

from __future__ import annotations

import gzip
import os
import stat

import numpy as np
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle.image.image_files import load_image, read_image_file
from cotyle.image.image_loader import load_here


@pytest.fixture
def image():
    voxels = np.arange(6 * 5 * 4, dtype=np.int16).reshape(6, 5, 4) - 500
    made = sitk.GetImageFromArray(voxels)
    made.SetSpacing((1.0, 1.5, 2.0))
    return made


def refusal(path) -> str:
    with pytest.raises(InputError) as error:
        load_image(path)
    assert "\n" not in str(error.value)
    return error.value.code


def test_the_child_brings_what_reading_here_brings(tmp_path, image):
    for name in ("a.nrrd", "a.mha", "a.mhd", "a.nhdr", "a.nii", "a.nii.gz"):
        sitk.WriteImage(image, str(tmp_path / name))
        apart, here = load_image(tmp_path / name), load_here(tmp_path / name)
        np.testing.assert_array_equal(apart.voxels, here.voxels)
        np.testing.assert_array_equal(apart.voxels, sitk.GetArrayFromImage(image))
        np.testing.assert_allclose(apart.ijk_to_lps, here.ijk_to_lps)
        assert apart.fields == here.fields


@pytest.mark.parametrize("target", ["../secret.raw", "{absolute}", "link.raw", "LIST", "v%03d.raw 1 3 1", "LIST 2"])
@pytest.mark.parametrize(("suffix", "field"), [(".mhd", "ElementDataFile ="), (".nhdr", "data file:")])
def test_a_header_cannot_fetch_voxels_from_elsewhere(tmp_path, image, suffix, field, target):
    folder = tmp_path / "given"
    folder.mkdir()
    sitk.WriteImage(image, str(folder / f"a{suffix}"))
    (raw,) = [path for path in folder.iterdir() if path.suffix != suffix]
    raw.rename(tmp_path / "secret.raw")
    (folder / "link.raw").symlink_to(tmp_path / "secret.raw")
    text = (folder / f"a{suffix}").read_text()
    start = text.index(field)
    wanted = target.format(absolute=tmp_path / "secret.raw")
    line = text[start : text.index("\n", start)]
    (folder / f"a{suffix}").write_text(text.replace(line, f"{field} {wanted}"))
    assert refusal(folder / f"a{suffix}") == "image-outside"


@pytest.mark.parametrize("suffix", [".nrrd", ".nii", ".nii.gz", ".mha"])
def test_a_small_file_that_claims_a_giant_image_is_refused(tmp_path, image, suffix):
    """1000 x 1000 x 1000 voxels would fit the limit; a file of some hundred bytes cannot hold them."""
    path = tmp_path / f"a{suffix}"
    sitk.WriteImage(image, str(path), useCompression=suffix in {".nii.gz"})
    content = gzip.decompress(path.read_bytes()) if suffix == ".nii.gz" else path.read_bytes()
    if suffix.startswith(".nii"):
        content = content[:42] + (1000).to_bytes(2, "little") * 3 + content[48:]
    else:
        content = content.replace(b"4 5 6", b"1000 1000 1000")
    path.write_bytes(gzip.compress(content) if suffix == ".nii.gz" else content)
    assert refusal(path) == "image-damaged"


@pytest.mark.parametrize("kind", [sitk.sitkComplexFloat32, sitk.sitkVectorUInt8])
def test_images_that_are_not_grey_are_refused(tmp_path, kind):
    sitk.WriteImage(sitk.Image([4, 5, 6], kind), str(tmp_path / "a.mha"))
    assert refusal(tmp_path / "a.mha") == "image-not-3d"


@pytest.mark.skipif(os.name == "nt", reason="needs a shell")
@pytest.mark.parametrize("script", ["kill -11 $$", "echo '{\"shape\": [1, 2]}'", "echo []", "exec sleep 60"])
def test_a_crash_of_the_reader_is_one_line(tmp_path, monkeypatch, image, script):
    sitk.WriteImage(image, str(tmp_path / "a.nrrd"))
    program = tmp_path / "no-python"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setattr("cotyle.image.apart.sys.executable", str(program))
    monkeypatch.setattr("cotyle.image.image_files.IMAGE_READING_S", 0.5)
    assert refusal(tmp_path / "a.nrrd") == "image-damaged"


def test_a_program_that_embeds_python_reads_by_itself(tmp_path, monkeypatch, image):
    sitk.WriteImage(image, str(tmp_path / "a.nrrd"))
    monkeypatch.setattr("cotyle.image.apart.sys.executable", "/opt/application")
    assert read_image_file(tmp_path / "a.nrrd")[0].size == (4, 5, 6)
