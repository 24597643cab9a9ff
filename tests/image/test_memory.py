"""A volume that the machine cannot hold is refused before it is read."""

from __future__ import annotations

import pytest
from cotyle.errors import InputError
from cotyle.image.memory import free_bytes, require_memory
from cotyle.image.read import read_volume
from dicom_phantom import grid_positions, make_slices, write_slices


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """Makes a machine of so many free MiB, and a container that may take so many and has used some."""

    def make(free_mib=None, most_mib=None, used_mib=0, files_mib=0):
        if free_mib is not None:
            (tmp_path / "meminfo").write_text(f"MemTotal: 99 kB\nMemAvailable: {free_mib * 1024} kB\n")
        if most_mib is not None:
            (tmp_path / "memory.max").write_text(f"{most_mib << 20}\n")
            (tmp_path / "memory.current").write_text(f"{used_mib << 20}\n")
            (tmp_path / "memory.stat").write_text(f"anon 5\nfile {files_mib << 20}\nfile_mapped 1\n")
        monkeypatch.setattr("cotyle.image.memory.MEMINFO", tmp_path / "meminfo")
        monkeypatch.setattr("cotyle.image.memory.CGROUP", tmp_path)

    return make


def test_what_is_free_is_the_less_of_machine_and_container(machine):
    machine(free_mib=100)
    assert free_bytes() == 100 << 20
    machine(free_mib=100, most_mib=80, used_mib=50, files_mib=20)
    assert free_bytes() == 50 << 20


def test_a_container_without_a_limit_and_an_unknown_system_refuse_nothing(machine, tmp_path):
    machine()
    assert free_bytes() is None
    require_memory(2**60)
    (tmp_path / "memory.max").write_text("max\n")
    assert free_bytes() is None


def test_a_scan_that_does_not_fit_is_refused_with_both_figures(machine, tmp_path):
    write_slices(tmp_path / "ct", make_slices(grid_positions(4), size=64))
    machine(free_mib=0)
    with pytest.raises(InputError, match=r"takes 0\.0 GiB of memory, 0\.0 GiB are free") as error:
        read_volume(tmp_path / "ct")
    assert error.value.code == "memory"
    machine(free_mib=10)
    assert read_volume(tmp_path / "ct")[0].size == (64, 64, 4)
