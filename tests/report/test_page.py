"""The page as a reader and a browser meet it."""

import sys
from html.parser import HTMLParser

import pytest
from cotyle import CAUTION
from cotyle.anatomy.findings import Grade
from cotyle.case.measurements import Doubt, Measurements
from cotyle.case.plan_file import PlanFile
from cotyle.case.verdict import GRADE_WORDS, HipVerdict
from cotyle.report.page import render_page, tiles
from cotyle.report.pdf import PdfUnavailableError, page_as_pdf
from cotyle.space.side import Side

ORDER = (
    "not a medical device",
    "Check the points below",
    "Read first",
    "Inclination",
    "Anteversion",
    "Wall along the axis",
    "Least wall",
    "Coverage",
    "Centre shift",
    "Proud stance",
    "How far in",
    "In the bone",
    "The wall behind the cavity",
    "What the screen will show",
    "Reaming",
    "Which way",
    "Reaming, step by step, on the AP pelvis",
    "Reaming, step by step, on the AP hip",
    "When it goes wrong",
    "The view that shows the wall",
    "Hip centre and native hip",
    "How sure the edges are",
    "Landmarks",
    "Where this comes from",
)


class Reader(HTMLParser):
    """Collects text in order, and everything that could fetch or run something."""

    def __init__(self):
        super().__init__()
        self.words, self.links, self.tags, self._style = [], [], [], False

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self._style = tag == "style"
        self.links += [value for name, value in attrs if name in {"src", "href", "data", "action", "srcset"}]

    def handle_endtag(self, tag):
        self._style = False

    def handle_data(self, data):
        if not self._style:
            self.words.append(data)


def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


@pytest.fixture(scope="module")
def files(planned_case):
    folder = planned_case.folder
    return PlanFile.read(folder / "plan.json"), Measurements.read(folder / "measurements.json")


@pytest.fixture(scope="module")
def html(planned_case):
    return (planned_case.folder / "report.html").read_text(encoding="utf-8")


def test_the_order_is_caution_doubts_seven_figures_and_then_the_rest(html):
    text = " ".join(" ".join(read(html).words).split())
    places = []
    for words in ORDER:
        places.append(text.index(words, places[-1] if places else 0))
    assert places == sorted(places)


def test_the_page_is_whole_and_asks_for_nothing(html):
    reader = read(html)
    assert len([link for link in reader.links if link.startswith("data:image/png;base64,")]) >= 6
    assert all(link.startswith("data:") for link in reader.links)
    assert not {"script", "iframe", "object", "link"} & set(reader.tags)
    assert "url(" not in html
    assert "@import" not in html


def test_each_of_the_seven_figures_bears_its_unit_and_what_it_means(files):
    plan, measured = files
    found = tiles(plan, measured)
    assert len(found) == 7
    assert [tile.unit for tile in found] == ["deg", "deg", "mm", "mm", "%", "mm", "mm"]
    assert all("radiographic, supine frame" in tile.note for tile in found[:2])
    assert all(tile.spread for tile in found[:6])


def test_numbers_on_the_page_are_those_of_the_file(files, html):
    _, measured = files
    text = " ".join(" ".join(read(html).words).split())
    assert f"{measured.wall.along_axis_mm:.1f} mm" in text
    assert f"{100 * measured.coverage.fraction:.0f} %" in text
    for step in measured.reaming:
        assert f"{step.removed_ml:.1f}" in text


def test_how_the_pelvis_sits_is_told_where_somebody_gave_it(files):
    plan, measured = files
    posture = plan.posture.model_copy(update={"seated_tilt_change_deg": -27.0})
    told = [render_page(each, measured, {}, "") for each in (plan, plan.model_copy(update={"posture": posture}))]
    assert ["change of tilt when seated (given)" in page for page in told] == [False, True]
    assert "27.0" in told[1].split("change of tilt when seated (given)")[1][:60]


def test_markup_in_a_doubt_stays_text(files):
    plan, measured = files
    evil = measured.model_copy(update={"warnings": (Doubt(code="x", text="<script>alert(1)</script><b>bold</b>"),)})
    page = render_page(plan, evil, {}, "<img src=http://x>")
    reader = read(page)
    assert "script" not in reader.tags
    assert "<script>alert(1)</script>" in "".join(reader.words)
    assert not [link for link in reader.links if link.startswith("http")]


def test_a_missing_picture_is_said_and_a_breach_shown(files):
    plan, measured = files
    wall = measured.wall.model_copy(update={"breached": True, "along_axis_mm": 0.0, "minimum_mm": 0.0})
    doubts = (Doubt(code="wall-breached", text="The planned reaming goes through the wall."),)
    page = render_page(plan, measured.model_copy(update={"wall": wall, "warnings": doubts}), {}, "")
    assert "could not be drawn" in page
    assert page.count('class="tile bad"') == 2
    assert "breached" in page


def test_the_verdict_is_said_in_words_shape_and_colour_with_each_point_and_its_place(files, html):
    _, measured = files
    text = " ".join(" ".join(read(html).words).split())
    assert measured.verdict.text in text
    points = measured.verdict.hips[measured.side].points
    assert points
    for point in points:
        assert point.mark in text
        assert f"{abs(point.lps_mm[2]):.1f}" in text
    assert 'class="verdict check"' in html
    assert 'class="shape check"' in html


def test_a_sound_verdict_and_one_that_forbids_a_plan_look_and_read_otherwise(files):
    plan, measured = files
    pages = {}
    for grade in Grade:
        hips = {side: HipVerdict(grade=grade) for side in Side}
        verdict = measured.verdict.model_copy(update={"grade": grade, "text": f"so: {grade}", "hips": hips})
        pages[grade] = render_page(plan, measured.model_copy(update={"verdict": verdict}), {}, "")
    for grade, page in pages.items():
        assert f'class="verdict {grade}"' in page
        assert GRADE_WORDS[grade] in page
        assert not [other for other in Grade if other is not grade and f'class="shape {other}"' in page]


def test_without_doubts_the_page_does_not_call_itself_safe(files):
    plan, measured = files
    page = render_page(plan, measured.model_copy(update={"warnings": ()}), {}, "")
    assert "proves nothing" in page
    assert CAUTION in page


def test_without_pango_there_is_a_stated_reason_and_no_pdf(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)  # an import of it then fails
    with pytest.raises(PdfUnavailableError, match="Pango"):
        page_as_pdf("<p>page</p>")


def test_the_pdf_is_the_same_page_and_fetches_nothing(files):
    pytest.importorskip("weasyprint")
    plan, measured = files
    page = render_page(plan, measured, {}, "")
    page = page.replace("</body>", '<img src="file:///etc/hostname"><img src="http://127.0.0.1:9/x.png"></body>')
    content = page_as_pdf(page)
    assert content.startswith(b"%PDF-")
