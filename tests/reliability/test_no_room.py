"""A disk that is full, a folder that is read-only or vanishes, a second writer: one line, and nothing lost."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from cotyle.case import folder_swap, one_writer
from cotyle.case.folder import changed_whole, written_whole
from cotyle.case.one_writer import only_writer_of
from cotyle.case.values import save
from cotyle.errors import InputError
from cotyle.files import new_folder, write_text_atomically
from cotyle.image.label_files import write_labels
from cotyle.report.meshes import _write_cavity
from cotyle.space.mesh_files import write_stl

from tests.reliability.killing import nursery
from tests.reliability.writers import numbers_of_case, write_numbered, writers_own_case
from tests.space.solids import sphere

resource = pytest.importorskip("resource")

WRITING = {
    "measure": [],
    "xray": ["--view", "ap_pelvis"],
    "compare": ["picture.dcm", "--view", "ap_pelvis"],
    "decide": [],
    "repair": ["--landmarks", "points.json"],
}


@pytest.fixture
def case(place):
    target = place / "place" / "case"
    write_anew(target, 1)
    return target


def write_anew(case, number, way=written_whole, meanwhile=lambda folder: None):
    with way(case) as folder:
        write_numbered(folder, number)
        meanwhile(folder)


@contextmanager
def files_no_larger_than(size):
    """The system refuses to write on in any file of this process beyond a size, as with a quota."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def disk_of(folder, options):
    """A small disk of its own, where this user may mount one."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def assert_one_line(code, err, words):
    assert code == 2
    said = [line for line in err.splitlines() if not line.endswith(" ...")]  # without what was being done
    assert len(said) == 1, err
    assert words in said[0]


def assert_whole(case):
    assert numbers_of_case(case) == {1}
    assert [path.name for path in case.parent.iterdir()] == ["case"]
    assert list(case.rglob(".*")) == []


@pytest.mark.parametrize("size", [100, 3_000, 30_000, 100_000, 250_000])
def test_a_case_that_outgrows_its_quota_leaves_the_old_one(case, size):
    with files_no_larger_than(size):
        for way in (written_whole, changed_whole):
            with pytest.raises(InputError) as refused:
                write_anew(case, 2, way)
            assert refused.value.code == "output-unwritable"
    assert_whole(case)


def test_a_full_disk_leaves_the_old_case(tmp_path):
    with disk_of(tmp_path / "disk", "size=900k") as disk:
        write_anew(disk / "case", 1)
        with pytest.raises(InputError, match=r"No space left|disk is full") as refused:
            write_anew(disk / "case", 2)
        assert refused.value.code == "output-unwritable"
        assert_whole(disk / "case")


def test_no_kind_of_file_is_cut_short_where_there_is_no_room(place, capfd):
    """Libraries that write by themselves do not all say that they could not."""
    ball = sphere(26.0, [1.0, 2.0, 3.0], steps=40)
    labels = writers_own_case().scan
    labels = labels.with_voxels(np.random.default_rng(3).integers(0, 7, labels.voxels.shape).astype(np.uint8))
    wall = type("Wall", (), {"mesh": ball, "thickness_mm": np.linspace(0.0, 9.0, len(ball.vertices_lps_mm))})
    kinds = {
        "a.stl": lambda path: write_stl(ball, path),
        "a.vtp": lambda path: _write_cavity(wall, path),
        "a.nrrd": lambda path: write_labels(path, labels),
        "a.npz": lambda path: save(ball, path),
        "a.json": lambda path: write_text_atomically(path, "[" + "0," * 20_000 + "0]"),
    }
    with files_no_larger_than(10_000):
        for name, write in kinds.items():
            with pytest.raises(InputError) as refused:
                write(place / name)
            assert (name, refused.value.code) == (name, "output-unwritable")
            assert len(str(refused.value).splitlines()) == 1
    assert list(place.iterdir()) == []
    assert capfd.readouterr().err == ""
    for name, write in kinds.items():
        write(place / name)
        assert (place / name).stat().st_size > 10_000


@pytest.mark.parametrize("name", list(WRITING))
def test_a_read_only_disk_is_said_in_one_line(tmp_path, command, name):
    with disk_of(tmp_path / "disk", "size=4m") as disk:
        write_anew(disk / "case", 1)
        (disk / "points.json").write_text("{}")
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        arguments = [str(disk / each) if each == "points.json" else each for each in WRITING[name]]
        code, _, err = command(name, disk / "case", *arguments)
        assert_one_line(code, err, "[output-unwritable]")
        assert numbers_of_case(disk / "case") == {1}


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
@pytest.mark.parametrize("name", list(WRITING))
def test_a_read_only_folder_is_said_in_one_line(case, command, name):
    (case.parent / "points.json").write_text("{}")
    arguments = [str(case.parent / each) if each == "points.json" else each for each in WRITING[name]]
    case.chmod(0o500)
    case.parent.chmod(0o500)
    try:
        code, _, err = command(name, case, *arguments)
        assert_one_line(code, err, "[output-unwritable]")
        assert numbers_of_case(case) == {1}
    finally:
        case.parent.chmod(0o700)
        case.chmod(0o700)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_result_that_cannot_be_printed_is_said_in_one_line(case, more):
    command = [sys.executable, "-m", "cotyle.cli.main", "check", str(case / "ct.nrrd"), *more]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert_one_line(done.returncode, done.stderr, "No space left on device. Files stand as written. [print-failed]")


@pytest.mark.parametrize("anew", [False, True])
def test_a_folder_that_vanishes_amid_writing_leaves_the_old_case(case, anew):
    def vanish(folder):
        shutil.rmtree(folder)
        if anew:  # as by a writer that makes the folders it needs
            write_numbered(folder, 2)

    with pytest.raises(InputError) as refused:
        write_anew(case, 2, meanwhile=vanish)
    assert refused.value.code == "output-unwritable"
    assert_whole(case)


def test_nothing_becomes_a_case_in_a_place_that_vanished(case):
    with pytest.raises(InputError) as refused:
        write_anew(case, 2, meanwhile=lambda folder: shutil.rmtree(case.parent))
    assert refused.value.code == "output-unwritable"
    assert not case.exists()


def test_what_stepped_aside_for_a_killed_writer_is_read_again(case):
    case.rename(case.with_name(".case.cotyle-0123abcd-old"))
    (case.parent / ".case.cotyle-0123abcd").mkdir()
    assert numbers_of_case(case) == {1}
    write_anew(case, 1)
    assert_whole(case)


def test_only_what_killed_writers_of_this_case_left_is_swept(case):
    kept = [".case", ".case-0123abcd", ".case.cotyle-0123abcd.zip", ".other.cotyle-0123abcd", "case.cotyle-0123abcd"]
    for name in (*kept, ".case.cotyle-0123abcd", ".case.cotyle-0123abce-old"):
        (case.parent / name).mkdir()
    write_anew(case, 1)
    assert sorted(path.name for path in case.parent.iterdir()) == sorted([*kept, "case"])


def test_a_link_in_place_of_a_workshop_is_removed_and_not_followed(case):
    (case.parent / "mine").mkdir()
    (case.parent / "mine" / "photo").write_text("mine")
    (case.parent / ".case.cotyle-0123abcd").symlink_to(case.parent / "mine")
    write_anew(case, 1)
    assert (case.parent / "mine" / "photo").read_text() == "mine"
    assert not (case.parent / ".case.cotyle-0123abcd").is_symlink()


def test_a_link_that_stands_for_a_case_is_replaced_and_not_followed(case):
    link = case.with_name("link")
    link.symlink_to(case)
    write_anew(link, 2)
    assert numbers_of_case(case) == {1}
    assert numbers_of_case(link) == {2}
    assert not link.is_symlink()


def test_folders_are_exchanged_in_one_step_on_this_system(place):
    for name in ("a", "b"):
        (place / name).mkdir()
        (place / name / name).touch()
    if not folder_swap.exchange(place / "a", place / "b"):
        pytest.skip("this disk or system cannot")
    assert (place / "a" / "b").exists()
    assert (place / "b" / "a").exists()


def test_a_new_folder_is_there_whole_or_not_at_all(place):
    def fail_half_way():
        with new_folder(place / "sample") as folder:
            (folder / "ct").mkdir()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert list(place.iterdir()) == []
    with new_folder(place / "sample") as folder:
        (folder / "ct").mkdir()
    assert (place / "sample" / "ct").is_dir()
    with pytest.raises(InputError) as refused, new_folder(place / "sample") as folder:
        (folder / "other").mkdir()
    assert refused.value.code == "output-unwritable"


def test_who_writes_a_case_keeps_all_others_out_and_readers_not(case, command, monkeypatch):
    monkeypatch.setattr(one_writer, "WAIT_S", 0.1)
    points = case.parent.parent / "points.json"
    points.write_text("{}")
    with nursery() as writers:
        writers.start("hold", case, 0)
        writers.wait_for("held")
        for name, arguments in WRITING.items():
            code, _, err = command(name, case, *[points if each == "points.json" else each for each in arguments])
            assert_one_line(code, err, "[case-busy]")
        code, _, err = command("plan", case.parent, "--side", "left", "--out", case)
        assert_one_line(code, err, "[case-busy]")
        assert numbers_of_case(case) == {1}


def test_a_writer_waits_for_one_that_is_killed(case):
    with nursery() as writers:
        process = writers.start("hold", case, 0)
        writers.wait_for("held")
        timer = threading.Timer(0.3, os.kill, (process, 9))
        timer.start()
        write_anew(case, 1)
        timer.join()
    assert_whole(case)


def test_one_thread_holds_a_case_again_and_another_thread_does_not(case):
    found = []

    def other():
        try:
            with only_writer_of(case, wait_s=0.1):
                found.append("held")
        except InputError as error:
            found.append(error.code)

    with only_writer_of(case), only_writer_of(case.parent / ".." / "place" / "case"):
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    other()
    assert found == ["case-busy", "held"]


def test_a_system_without_locks_writes_all_the_same(case, monkeypatch):
    def none(*_):
        raise OSError(38, "Function not implemented")

    monkeypatch.setattr(one_writer.fcntl, "flock", none)
    write_anew(case, 1)
    assert_whole(case)
