"""Tables of cases: what is understood, and what is refused with the line that is wrong."""

import pytest
from cotyle.case.cohort.manifest import read_manifest
from cotyle.errors import InputError


def written(folder, text):
    path = folder / "hips.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_row_becomes_the_arguments_of_plan(tmp_path):
    (entry,) = read_manifest(
        written(tmp_path, 'name,ct,side,diameter,center,targets,repair\nh1,scans/a,left,54,"-82.3,1,2",t.json,yes\n')
    )
    assert entry.name == "h1"
    assert entry.arguments == (
        str(tmp_path / "scans" / "a"),
        "--side=left",
        f"--targets={tmp_path / 't.json'}",
        "--center=-82.3,1,2",
        "--diameter=54",
        "--repair",
    )


def test_empty_cells_and_a_byte_order_mark_are_nothing(tmp_path):
    (entry,) = read_manifest(written(tmp_path, "\ufeffname,ct,side,series,repair\nh1,/x, right ,,no\n"))
    assert entry.arguments == ("/x", "--side=right")


def test_the_digest_changes_with_what_is_asked_for(tmp_path):
    asked = [read_manifest(written(tmp_path, f"name,ct,side,diameter\nh1,/x,left,{mm}\n"))[0] for mm in (54, 54, 56)]
    assert asked[0].digest == asked[1].digest != asked[2].digest


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("", "manifest-empty", ""),
        ("name,ct,side\n", "manifest-empty", ""),
        ("name,ct\nh1,/x\n", "manifest-titles", "'side'"),
        ("name,ct,side,weight\nh1,/x,left,3\n", "manifest-titles", "no option"),
        ("name,ct,side\nh1,/x,both\n", "manifest-row", "line 2"),
        ("name,ct,side\nh1,/x,left\nh1,/y,left\n", "manifest-row", "line 3"),
        ("name,ct,side\n../h1,/x,left\n", "manifest-row", "letters"),
        ("name,ct,side\nh1,,left\n", "manifest-row", "no CT"),
        ("name,ct,side\nh1,/x,left,more\n", "manifest-row", "cells"),
        ("name,ct,side\nh1,/x\n", "manifest-row", "cells"),
        ("name,ct,side,repair\nh1,/x,left,perhaps\n", "manifest-row", "repair"),
        ('name,ct,side\nh1,"/x,left\n', "manifest-unreadable", "CSV"),
        ("name,ct,side,side\nh1,/x,left,right\n", "manifest-titles", "two columns"),
        ("name,ct,side\nhip,/x,left\nHip,/y,left\n", "manifest-row", "line 3"),
        ('name,ct,side\nh1,"/x\ny",left\nh2,/z,both\n', "manifest-row", "line 4"),
        ("name,ct,side\nh1,/x\0y,left\n", "manifest-row", "line 2"),
        ("name;ct;side\nh1;/x;left\n", "manifest-titles", "'name'"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_its_line(tmp_path, text, code, words):
    with pytest.raises(InputError) as refused:
        read_manifest(written(tmp_path, text))
    assert refused.value.code == code
    assert words in str(refused.value)


def test_a_table_that_is_not_there_or_no_text_is_refused(tmp_path):
    with pytest.raises(InputError, match="no table"):
        read_manifest(tmp_path / "none.csv")
    (tmp_path / "scan.csv").write_bytes(b"\xff\xfe\x00\x01" * 40)
    with pytest.raises(InputError) as refused:
        read_manifest(tmp_path / "scan.csv")
    assert refused.value.code in ("manifest-unreadable", "manifest-titles")
