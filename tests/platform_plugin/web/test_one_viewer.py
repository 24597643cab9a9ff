import os
import subprocess
import sys

import pytest
from cotyle.errors import InputError
from cotyle_platform.web import one_viewer
from cotyle_platform.web.one_viewer import only_viewer_of


@pytest.fixture(autouse=True)
def own_marks(tmp_path, monkeypatch):
    folder = tmp_path / "marks"
    folder.mkdir()
    monkeypatch.setattr(one_viewer.tempfile, "gettempdir", lambda: str(folder))
    return folder


def test_a_second_viewer_of_a_case_is_refused_and_another_case_is_not(tmp_path):
    with only_viewer_of(tmp_path / "case"):
        with pytest.raises(InputError) as refused, only_viewer_of(tmp_path / "other" / ".." / "case"):
            pass
        assert refused.value.code == "case-open"
        with only_viewer_of(tmp_path / "another"):
            pass
    with only_viewer_of(tmp_path / "case"):
        pass


def test_a_case_is_free_again_after_an_error(tmp_path, own_marks):
    with pytest.raises(RuntimeError), only_viewer_of(tmp_path):
        raise RuntimeError
    assert list(own_marks.iterdir()) == []


HOLD = """
import pathlib, sys, time
from cotyle_platform.web import one_viewer
one_viewer.tempfile.gettempdir = lambda: sys.argv[1]
with one_viewer.only_viewer_of(pathlib.Path(sys.argv[2])):
    print("held", flush=True)
    time.sleep(600)
"""


def test_a_viewer_in_another_process_holds_the_case_until_it_is_killed(tmp_path, own_marks):
    command = [sys.executable, "-c", HOLD, str(own_marks), str(tmp_path)]
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=paths) as viewer:
        assert viewer.stdout.readline() == b"held\n"
        with pytest.raises(InputError) as refused, only_viewer_of(tmp_path):
            pass
        assert refused.value.code == "case-open"
        viewer.kill()
        viewer.wait()
    assert list(own_marks.iterdir()) != []
    with only_viewer_of(tmp_path):
        pass
    assert list(own_marks.iterdir()) == []
