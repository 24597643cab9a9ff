"""Options and tolerance as DICOM: every number of the files comes back under its own name."""

import json
import shutil

import highdicom
import numpy as np
import pydicom
import pytest
from cotyle import CAUTION
from cotyle.case.decision.options import OptionsFacts
from cotyle.errors import InputError
from cotyle.report.dicom.choice_numbers import OUTCOME_WORDS
from cotyle.report.dicom.export import export_case

from tests.conftest import outcome
from tests.report.dicom.code_table import fields_by_code
from tests.report.dicom.report_reading import content_items, exactly, field_at, numbers
from tests.report.dicom.validators import complaints, dumped_report, judged, needs_validators

GROUPS = {
    "hip center to restore": "Center to restore",
    "limits of the options": "Limits",
    "tolerance: chances": "Chances",
    "tolerance: where to stop": "Where to stop",
    "tolerance: what errs": "What errs",
    **{f"tolerance: {words}": f"Outcome {name}" for name, words in OUTCOME_WORDS.items()},
}


@pytest.fixture(scope="module")
def decided(planned_case, tmp_path_factory):
    case = tmp_path_factory.mktemp("decided") / "case"
    shutil.copytree(planned_case.folder, case)
    words = ["decide", case, "--only", "options,tolerance", "--no-pdf", "--json"]
    code, _, err = outcome([str(each) for each in words])
    assert code == 0, err
    return case


@pytest.fixture(scope="module")
def written(decided, tmp_path_factory):
    out = tmp_path_factory.mktemp("choices") / "out"
    export_case(decided, out, only=("decisions", "scan"))
    return out / "decisions.dcm"


def files_of(case):
    options, tolerance = (
        json.loads((case / "decision" / f"{part}.json").read_text(encoding="utf-8"))
        for part in ("options", "tolerance")
    )
    return options, tolerance


def where(group):
    """The group's name in the documentation, and what stands for # in its fields."""
    if group.startswith("option "):
        return "Each cup", f"options.{int(group.removeprefix('option ')) - 1}"
    return ("Each cup", "plan") if group.startswith("cup as planned") else (GROUPS[group], "")


@needs_validators
def test_validators_of_others_find_no_error(written):
    errors, warnings = complaints(written)
    assert not errors
    assert not [each for each in warnings if not judged(each)]
    text = dumped_report(written)
    assert "Standard deviation of radiographic anteversion, standing frame" in text
    assert "Share of the shell in host bone" in text


def test_every_number_is_that_of_the_files(written, decided):
    options, tolerance = files_of(decided)
    table, seen = fields_by_code(), {}
    for group, name, value, unit, _ in numbers(pydicom.dcmread(written)):
        words, item = where(group)
        field = table[name.CodingSchemeDesignator, name.CodeValue][words].replace("#", item)
        content = tolerance if group.startswith("tolerance") else options
        assert value == exactly(field_at(content, field)), (group, field)
        seen[field] = unit
    for place, option in enumerate(options["options"]):
        missing = {f"options.{place}.figures.{name}" for name in option["figures"]} - seen.keys()
        assert not missing
        assert seen[f"options.{place}.angles.anteversion_deg"] == "deg"
    assert {f"plan.figures.{name}" for name in options["plan"]["figures"]} <= seen.keys()
    for name, fact in tolerance["outcomes"].items():
        told = {f"outcomes.{name}.{field}" for field in ("planned", "mean", "sd", "interval.0", "interval.1")}
        assert told <= seen.keys()
        assert {f"outcomes.{name}.shares.{cause}" for cause in fact["shares"]} <= seen.keys()
    assert {f"spreads.{name}" for name in tolerance["spreads"]} <= seen.keys()
    chances = {f"chances.{name}" for name in tolerance["chances"]}
    stops = {f"stop.{name}" for name, value in tolerance["stop"].items() if value is not None}
    limits = {f"limits.{name}" for name, value in options["limits"].items() if isinstance(value, float)}
    assert chances | stops | limits <= seen.keys()


def test_centers_answers_doubts_and_assumptions_are_told(written, decided):
    options, tolerance = files_of(decided)
    report = pydicom.dcmread(written)
    points, answers, texts = {}, {}, []
    for group, name, item in content_items(report):
        if item.ValueType == "SCOORD3D":
            points[group, name.CodeValue] = np.float32(item.GraphicData)
        elif item.ValueType == "CODE":
            answers.setdefault((group, name.CodeValue), []).append(item.ConceptCodeSequence[0].CodeMeaning)
        elif item.ValueType == "TEXT":
            texts.append((group, name.CodeValue, item.TextValue))
    for place, option in enumerate(options["options"]):
        group = f"option {place + 1}"
        np.testing.assert_array_equal(points[group, "OPTION-CENTER"], np.float32(option["center_lps_mm"]))
        assert len(answers[group, "OPTION-FAVORS"]) == len(option["favours"])
        assert answers[group, "OPTION-BEATEN"] == ["Yes" if option["beaten"] else "No"]
        assert answers[group, "OPTION-BETTER"] == ["Yes" if place in options["better_than_plan"] else "No"]
        assert len(answers.get((group, "OPTION-REACHES"), [])) == len(option["reaches"])
    told = [text for group, code, text in texts if (group, code) == ("", "WARNING")]
    assert told == [f"{each['text']} [{each['code']}]" for facts in (options, tolerance) for each in facts["doubts"]]
    assumed = [text for _, code, text in texts if code == "ASSUMPTION"]
    assert assumed == [*options["assumptions"], *tolerance["assumptions"]]
    assert ("", "121106", CAUTION) in texts


def test_highdicom_finds_the_groups_and_how_a_mean_was_derived(written):
    report = highdicom.sr.srread(written)
    groups = {group.tracking_identifier: group for group in report.content.get_image_measurement_groups()}
    assert {"option 1", "tolerance: chances", "tolerance: least remaining wall"} <= groups.keys()
    derived = {
        each.derivation.meaning
        for each in groups["tolerance: least remaining wall"].get_measurements()
        if each.derivation
    }
    assert derived == {"Mean", "Standard Deviation"}


def test_options_of_another_plan_are_not_written(decided, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(decided, case)
    plan = case / "plan.json"
    changed = json.loads(plan.read_text(encoding="utf-8"))
    changed["cup"]["outer_diameter_mm"] += 2.0
    plan.write_text(json.dumps(changed), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        export_case(case, tmp_path / "out", only=("decisions",))
    assert refused.value.code == "part-missing"


def test_one_part_alone_is_written_as_well(decided, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(decided, case)
    (case / "decision" / "tolerance.json").unlink()
    export_case(case, tmp_path / "out", only=("decisions",))
    groups = {group for group, *_ in numbers(pydicom.dcmread(tmp_path / "out" / "decisions.dcm"))}
    assert "option 1" in groups
    assert not [group for group in groups if group.startswith("tolerance")]
    assert OptionsFacts.read(case / "decision" / "options.json").options
