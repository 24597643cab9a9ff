"""A folder from elsewhere is walked within bounds: no links out of it, no endless depth, no silent gaps."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from cotyle.errors import InputError
from cotyle.image.check import describe
from cotyle.image.dicom_scan import files_under, scan_dicom
from cotyle.image.read import read_volume
from dicom_phantom import grid_positions, make_slices, write_slices


def refusal(path: Path) -> InputError:
    with pytest.raises(InputError) as error:
        files_under(path)
    return error.value


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    (tmp_path / "secret").write_text("mine")
    (tmp_path / "ct").mkdir()
    (tmp_path / "ct" / "f1").symlink_to(tmp_path / "secret")
    error = refusal(tmp_path / "ct")
    assert error.code == "link-outside"
    assert "secret" not in str(error)


def test_a_link_within_the_folder_and_a_folder_given_by_a_link_are_read(tmp_path):
    write_slices(tmp_path / "ct", make_slices(grid_positions(4), size=16))
    (tmp_path / "ct" / "again").symlink_to(tmp_path / "ct" / "part0" / "f000")
    (tmp_path / "way").symlink_to(tmp_path / "ct")
    assert len(files_under(tmp_path / "way")) == 5


def test_linked_folders_dead_links_and_hidden_files_are_passed_over(tmp_path):
    (tmp_path / "ct").mkdir()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "f").write_text("x")
    (tmp_path / "ct" / "loop").symlink_to(tmp_path / "ct")
    (tmp_path / "ct" / "away").symlink_to(tmp_path / "other")
    (tmp_path / "ct" / "dead").symlink_to(tmp_path / "nowhere")
    (tmp_path / "ct" / ".hidden").write_text("x")
    assert files_under(tmp_path / "ct") == []


def test_folders_too_deep_are_refused(tmp_path):
    deep = tmp_path / "ct" / Path(*["d"] * 40)
    deep.mkdir(parents=True)
    assert refusal(tmp_path / "ct").code == "too-deep"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may read anywhere")
def test_a_folder_within_that_cannot_be_read_is_not_passed_over_in_silence(tmp_path):
    (tmp_path / "ct" / "locked").mkdir(parents=True)
    (tmp_path / "ct" / "locked").chmod(0)
    error = refusal(tmp_path / "ct")
    assert (error.code, "locked" in str(error)) == ("input-unreadable", False)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_is_no_image_and_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert scan_dicom(tmp_path).files == 0
    with pytest.raises(InputError) as error:
        read_volume(tmp_path / "pipe")
    assert error.value.code == "image-format"


def test_a_file_that_cannot_be_read_beside_a_series_is_said(tmp_path):
    write_slices(tmp_path, make_slices(grid_positions(6), size=16))
    (tmp_path / "broken").write_bytes((tmp_path / "part0" / "f000").read_bytes()[:700])
    (report,) = describe(tmp_path)
    assert "files-broken" in report.verdict.codes
    assert report.verdict.usable
