"""The same input and options give the same bytes, also with another number of threads."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys

import numba
import pytest
from cotyle.case.measurements import Measurements
from cotyle.case.produced_by import COMPUTING, produced_by

from tests.reliability.rerun import differences, run_with_threads


@pytest.fixture(scope="module")
def measured_again(planned_case, tmp_path_factory):
    """The planned case, measured in a process of its own with another number of threads than planned it."""
    case = tmp_path_factory.mktemp("again") / "case"
    shutil.copytree(planned_case.folder, case)
    for path in case.rglob("*.json"):
        assert path.name in ("plan.json", "measurements.json", "landmarks.json")
    return case, run_with_threads(["measure", case, "--no-pdf"], 2 if numba.get_num_threads() == 1 else 1)


def test_measuring_again_with_other_threads_gives_the_same_bytes_in_every_file(planned_case, measured_again):
    case, printed = measured_again
    apart = [each for each in differences(planned_case.folder, case) if not each.same_bytes]
    assert [each.name for each in apart] == ["report.pdf"]  # which was not made again
    assert printed == planned_case.measurements


def test_results_say_what_computed_them_and_on_no_named_machine(planned_case):
    import platform
    from importlib.metadata import version

    made = planned_case.measurements["produced_by"]
    assert made["python"] == platform.python_version()
    assert made["packages"] == {name: version(name) for name in COMPUTING}
    assert platform.node() not in json.dumps(made)


def test_measurements_of_before_are_read_without_it(planned_case, tmp_path):
    content = planned_case.measurements
    del content["produced_by"]
    (tmp_path / "measurements.json").write_text(json.dumps(content))
    assert Measurements.read(tmp_path / "measurements.json").produced_by is None


def test_seeds_stand_by_name():
    assert produced_by(lots=7).seeds == {"lots": 7}


def test_files_that_differ_are_told_apart_and_by_how_much(tmp_path):
    for name, number in (("a", 1.0), ("b", 1.25)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "same.json").write_text("{}")
        (tmp_path / name / "apart.json").write_text(json.dumps({"x": [number, "words"]}))
        (tmp_path / name / "words.json").write_text(json.dumps({"x": name}))
    (tmp_path / "a" / "alone.json").write_text("{}")
    found = {each.name: (each.same_bytes, each.largest) for each in differences(tmp_path / "a", tmp_path / "b")}
    assert found == {
        "alone.json": (False, None),
        "apart.json": (False, 0.25),
        "same.json": (True, 0.0),
        "words.json": (False, None),
    }


def test_linear_algebra_takes_one_thread_whatever_is_asked_for():
    """OpenBLAS cuts long sums by its threads; its own variable is told in its documentation."""
    program = "import cotyle.cli.main, os; print(os.environ['OPENBLAS_NUM_THREADS'])"
    asked = {
        **os.environ,
        "OPENBLAS_NUM_THREADS": "2",
        "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
    }
    done = subprocess.run([sys.executable, "-c", program], env=asked, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "1"
