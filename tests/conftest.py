"""One case, planned once through the command line, for all tests that look at its files."""

import importlib.util
import json
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pydicom
import pytest
from cotyle.cli.main import run
from hypothesis import settings

from tests import identity

SIDE = "right"

# no test reaches a network, nor does a child process of one
_BLOCK = Path(__file__).parent / "network_block"
sys.path.append(str(_BLOCK))
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (str(_BLOCK), os.environ.get("PYTHONPATH"))))
_spec = importlib.util.spec_from_file_location("network_block", _BLOCK / "sitecustomize.py")
_spec.loader.exec_module(importlib.util.module_from_spec(_spec))

# no test fails for the time it takes; a commit is judged by the same draws on every machine, "fresh" draws others
settings.register_profile("fresh", deadline=None)
settings.register_profile("same", deadline=None, derandomize=True)
settings.load_profile("same")


@pytest.fixture(scope="session", autouse=True)
def nobody_tried_the_network(tmp_path_factory):
    """Fails at the end if anything tried to reach a network, though it bore that it could not."""
    notes = tmp_path_factory.mktemp("network") / "notes"
    os.environ["COTYLE_TEST_NETWORK_NOTES"] = str(notes)
    yield
    assert not notes.exists(), notes.read_text(encoding="utf-8")


@dataclass(frozen=True)
class PlannedCase:
    """A planned sample case: its series, its folder, what was printed, and the generator's truth."""

    series: Path
    folder: Path
    printed: dict
    truth: object

    @property
    def measurements(self) -> dict:
        return json.loads((self.folder / "measurements.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def sample_series(tmp_path_factory):
    """A coarse synthetic series of a subject with a worn right hip, a made-up patient in its headers, and its truth."""
    from cotyle.space.side import Side
    from cotyle_sample import Posture, Variant, make_subject, scan, write_series

    subject = make_subject(seed=5, variant=Variant.WORN, affected_side=Side.RIGHT)
    volume, truth = scan(subject, Posture(6.0, 3.0, -2.0), seed=5, voxel_mm=(1.25, 1.25, 1.5))
    folder = tmp_path_factory.mktemp("sample") / identity.FOLDER / "series"
    for file in write_series(volume, folder, name="test-case"):
        identity.plant(pydicom.dcmread(file)).save_as(file)
    return folder, volume, truth


@pytest.fixture(scope="session")
def planned_case(sample_series, tmp_path_factory):
    """The case of :func:`sample_series`, planned through the command line; tests must not change its folder."""
    series, _, truth = sample_series
    folder = tmp_path_factory.mktemp("planned") / identity.FOLDER / "case"
    code, out, err = outcome(["plan", str(series), "--side", SIDE, "--out", str(folder), "--json"])
    assert code == 0, err
    before = _stamps(folder)
    yield PlannedCase(series, folder, json.loads(out), truth)
    assert _stamps(folder) == before, "a test changed the case that all share; own_case is a copy to change"


def _stamps(folder):
    """Return the files of a folder with size and time of change: what one test leaves there is another one's start."""
    found = {path.relative_to(folder).as_posix(): path.stat() for path in folder.rglob("*") if path.is_file()}
    return {name: (stat.st_size, stat.st_mtime_ns) for name, stat in found.items()}


@pytest.fixture
def own_case(planned_case, tmp_path):
    """A copy of the planned case that a test may change."""
    folder = tmp_path / "case"
    shutil.copytree(planned_case.folder, folder)
    return folder


@pytest.fixture
def command():
    """Runs a command line in this process: command("plan", ...) returns exit code, stdout and stderr."""
    return lambda *arguments: outcome([str(argument) for argument in arguments])


def outcome(arguments):
    import contextlib
    import io

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(arguments)
    return code, out.getvalue(), err.getvalue()
