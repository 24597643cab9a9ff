"""Each faulty series of the table ends right to 1 % in volume and 0.1 mm in length, or is refused with its cause."""

from __future__ import annotations

import json
import re

import pytest
from cotyle.image.check import describe

from tests.image.dicom_phantom import PLANTED_ID
from tests.reliability.defect import RIGHT, Defect
from tests.reliability.defect_outcome import outcome, written
from tests.reliability.defects import COVERAGE, DEFECTS
from tests.reliability.faulty_series import whole


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda d: d.name)
def test_a_series_ends_right_or_is_refused_with_where_and_how_much(defect, tmp_path):
    folder = written(defect, tmp_path)
    plain = outcome(defect, folder, repair=False)
    assert plain.end == defect.plain, plain
    assert re.search(defect.says, plain.said), plain.said
    assert set(defect.notes) <= set(plain.notes)
    assert "\n" not in plain.said
    if plain.end != RIGHT:
        assert re.search(r"[.] [A-Z].*[.] \[[a-z-]+\]$", plain.said), "a remedy and a code"
        repaired = outcome(defect, folder, repair=True)
        assert repaired.end == defect.repaired, repaired


@pytest.mark.parametrize("defect", COVERAGE, ids=lambda d: d.name)
def test_what_holds_no_whole_pelvis_is_not_planned_on(defect, tmp_path):
    (report,) = describe(written(defect, tmp_path))
    assert report.plannable == (defect.plain == RIGHT)
    if not report.plannable:
        assert defect.plain in report.verdict.codes
        assert re.search(defect.says, "; ".join(report.reasons))


@pytest.mark.parametrize("defect", [d for d in DEFECTS if d.name.startswith("name in")], ids=lambda d: d.name)
def test_no_name_in_any_script_is_shown(defect, tmp_path):
    folder = written(defect, tmp_path)
    name = defect.make()[0].PatientName
    words = {word for group in str(name).split("=") for word in group.split("^")}
    shown = json.dumps([r.as_dict() for r in describe(folder)], ensure_ascii=False) + str(describe(folder))
    assert not [word for word in (*words, PLANTED_ID) if word in shown]


def test_the_check_itself_can_fail(tmp_path):
    """A series whose header states slices 5 % too far apart is well-formed, and wrong: the ball says so."""

    def stretched():
        slices = whole()
        for ds in slices:
            x, y, z = ds.ImagePositionPatient
            ds.ImagePositionPatient = [x, y, float(z) * 1.05]
        return slices

    defect = Defect("stretched", stretched)
    assert outcome(defect, written(defect, tmp_path), repair=False).end == "wrong"
