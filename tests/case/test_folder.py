import os
from pathlib import Path

import pytest
from cotyle.case.folder import carry_over, is_case, read_undisturbed, require_case, written_whole
from cotyle.case.plan_file import PlanFile
from cotyle.errors import InputError
from cotyle.space.side import Side


def make_case(folder: Path, words: str) -> None:
    with written_whole(folder) as workshop:
        PlanFile(side=Side.LEFT).write(workshop / "plan.json")
        (workshop / "words.txt").write_text(words)


def fail_half_way(folder: Path) -> None:
    with written_whole(folder) as workshop:
        (workshop / "words.txt").write_text("half")
        raise ZeroDivisionError


def test_a_case_appears_whole(tmp_path):
    make_case(tmp_path / "case", "first")
    assert is_case(tmp_path / "case")
    assert [path.name for path in tmp_path.iterdir()] == ["case"]


def test_nothing_is_left_of_a_case_that_failed(tmp_path):
    with pytest.raises(ZeroDivisionError):
        fail_half_way(tmp_path / "case")
    assert list(tmp_path.iterdir()) == []


def test_the_old_case_stays_when_the_new_one_fails(tmp_path):
    make_case(tmp_path / "case", "first")
    with pytest.raises(ZeroDivisionError):
        fail_half_way(tmp_path / "case")
    assert (tmp_path / "case" / "words.txt").read_text() == "first"
    assert [path.name for path in tmp_path.iterdir()] == ["case"]


def test_an_old_case_is_replaced(tmp_path):
    make_case(tmp_path / "case", "first")
    (tmp_path / "case" / "stale.txt").write_text("stale")
    make_case(tmp_path / "case", "second")
    assert (tmp_path / "case" / "words.txt").read_text() == "second"
    assert not (tmp_path / "case" / "stale.txt").exists()


def test_an_empty_folder_may_become_a_case(tmp_path):
    (tmp_path / "case").mkdir()
    make_case(tmp_path / "case", "first")
    assert is_case(tmp_path / "case")


def test_other_folders_and_files_are_left_alone(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name in ("photos", "file"):
        with pytest.raises(InputError) as caught:
            make_case(tmp_path / name, "first")
        assert caught.value.code == "output-not-a-case"
    assert (tmp_path / "photos" / "one.jpg").read_text() == "mine"
    assert (tmp_path / "file").read_text() == "mine"


def test_a_folder_that_cannot_be_written_is_an_input_error(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError) as caught:
        make_case(tmp_path / "file" / "case", "first")
    assert caught.value.code == "output-unwritable"


@pytest.mark.skipif(os.name == "nt" or (hasattr(os, "geteuid") and os.geteuid() == 0), reason="root may write anywhere")
def test_a_read_only_folder_is_an_input_error(tmp_path):
    (tmp_path / "locked").mkdir(mode=0o500)
    with pytest.raises(InputError) as caught:
        make_case(tmp_path / "locked" / "case", "first")
    assert caught.value.code == "output-unwritable"


def test_carrying_over_leaves_both_folders_whole(tmp_path):
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
    (tmp_path / "old" / "ct.nrrd").write_text("scan")
    carry_over(tmp_path / "old", tmp_path / "new", ("ct.nrrd", "absent"))
    assert (tmp_path / "new" / "ct.nrrd").read_text() == "scan"
    assert (tmp_path / "old" / "ct.nrrd").read_text() == "scan"


def test_what_is_read_is_of_one_case_though_another_takes_its_place_amid(tmp_path):
    make_case(tmp_path / "case", "first")
    swaps = iter([lambda: make_case(tmp_path / "case", "second"), *[lambda: None] * 9])

    def read():
        one = (tmp_path / "case" / "words.txt").read_text()
        next(swaps)()
        return one, (tmp_path / "case" / "words.txt").read_text()

    assert read_undisturbed(tmp_path / "case", read) == ("second", "second")


def test_an_error_of_reading_counts_where_nothing_took_the_cases_place(tmp_path):
    make_case(tmp_path / "case", "first")
    with pytest.raises(InputError) as caught:
        read_undisturbed(tmp_path / "case", lambda: PlanFile.read(tmp_path / "case" / "other.json"))
    assert caught.value.code == "file-missing"
    with pytest.raises(InputError) as caught:
        read_undisturbed(tmp_path / "case", lambda: make_case(tmp_path / "case", "again"))
    assert caught.value.code == "case-busy"


@pytest.mark.parametrize("text", ["", "{}", '{"schema": "other"}', "not json"])
def test_a_folder_with_another_plan_is_no_case(tmp_path, text):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(InputError) as caught:
        require_case(tmp_path)
    assert caught.value.code == "case-not"
