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


def test_what_a_killed_viewer_left_behind_is_taken_over(tmp_path, own_marks):
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    with only_viewer_of(tmp_path):
        mark = next(own_marks.iterdir())
    mark.write_text(str(ended.pid))
    with only_viewer_of(tmp_path):
        assert mark.exists()


def test_a_mark_that_cannot_be_read_does_not_lock_a_case_for_good(tmp_path, own_marks):
    with only_viewer_of(tmp_path):
        mark = next(own_marks.iterdir())
    mark.write_text("")
    with only_viewer_of(tmp_path):
        pass
