"""Places in the report that are filled later: only a report that can be read and has them is taken."""

import pytest
from cotyle.errors import InputError
from cotyle.report.page_places import Place, read_page, with_place

PAGE = "<p>a</p><!-- decisions --><p>old</p><!-- end of decisions --><p>b</p>"


def test_only_what_stands_between_the_marks_is_exchanged():
    page = with_place(PAGE, Place.DECISIONS, r"<p>new \\1</p>")
    assert page.split("<!--")[0] == "<p>a</p>"
    assert r"<p>new \\1</p>" in page
    assert "old" not in page
    assert page.endswith("<p>b</p>")


@pytest.mark.parametrize(
    ("content", "code"), [(None, "report-missing"), (b"\xff\xfe", "report-missing"), (b"<p>a</p>", "report-outdated")]
)
def test_a_report_without_the_place_is_refused(tmp_path, content, code):
    if content is not None:
        (tmp_path / "report.html").write_bytes(content)
    with pytest.raises(InputError) as refused:
        read_page(tmp_path, Place.DECISIONS)
    assert refused.value.code == code


def test_a_report_with_the_place_is_returned_as_it_is(tmp_path):
    (tmp_path / "report.html").write_text(PAGE, encoding="utf-8")
    assert read_page(tmp_path, Place.DECISIONS) == PAGE
