"""A file is written whole or not at all."""

from __future__ import annotations

import pytest
from cotyle.errors import InputError
from cotyle.files import atomic_path, write_bytes_atomically, write_text_atomically


def test_a_file_is_written_and_replaced_whole(tmp_path):
    path = tmp_path / "new" / "a.json"
    write_text_atomically(path, "{}\n")
    write_bytes_atomically(path, b"second")
    assert path.read_bytes() == b"second"
    assert [p.name for p in path.parent.iterdir()] == ["a.json"]


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "a.nii.gz"
    path.write_bytes(b"old")

    def fail_half_way():
        with atomic_path(path) as temporary:
            assert temporary.name.endswith(".nii.gz")
            assert temporary.parent == path.parent
            temporary.write_bytes(b"half")
            raise KeyError("stop")

    with pytest.raises(KeyError):
        fail_half_way()
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.nii.gz"]


def test_a_place_that_cannot_be_written_is_named_without_its_folder(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"^cannot write a\.json") as error:
        write_text_atomically(tmp_path / "file" / "a.json", "{}")
    assert error.value.code == "output-unwritable"
