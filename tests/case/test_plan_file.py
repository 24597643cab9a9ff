import json
from pathlib import Path

import pytest
from cotyle.case.plan_file import PlanFile
from cotyle.case.schema import validated
from cotyle.errors import InputError
from cotyle.space.side import Side

GOLDEN = Path(__file__).parent / "golden"


def content(**changes):
    return {**PlanFile(side=Side.LEFT).as_dict(), **changes}


def code_of(changed):
    with pytest.raises(InputError) as caught:
        validated(PlanFile, changed, "plan.json")
    assert "\n" not in str(caught.value)
    return caught.value.code


def test_a_plan_reads_back_as_it_was_written(tmp_path):
    plan = PlanFile(side=Side.RIGHT)
    plan.write(tmp_path / "plan.json")
    assert PlanFile.read(tmp_path / "plan.json") == plan
    assert json.loads((tmp_path / "plan.json").read_text())["schema"] == "cotyle/plan"


def test_defaults_are_those_of_the_trade():
    """40 and 15 to 20 deg, radiographic, in the functional frame: common practice, no source."""
    targets = PlanFile(side=Side.LEFT).targets
    assert targets.inclination_deg == 40
    assert 15 <= targets.anteversion_deg <= 20
    assert (targets.definition, targets.frame) == ("radiographic", "supine")


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"schema": "cotyle/measurements"}, "schema-mismatch"),
        ({"version": 2}, "schema-newer"),
        ({"version": True}, "schema-mismatch"),
        ({"version": "1"}, "schema-mismatch"),
        ({"version": 0}, "schema-mismatch"),
        ({"side": "both"}, "field-invalid"),
        ({"side": None}, "field-invalid"),
        ({"surprise": 1}, "field-invalid"),
        ({"cup": {"outer_diameter_mm": 5}}, "field-invalid"),
        ({"cup": {"outer_diameter_mm": 500}}, "field-invalid"),
        ({"cup": {"center_lps_mm": [1, 2]}}, "field-invalid"),
        ({"cup": {"center_lps_mm": [1, 2, float("nan")]}}, "field-invalid"),
        ({"cup": {"orientation": {"inclination_deg": 40, "anteversion_deg": 15}}}, "field-invalid"),
        ({"targets": {"inclination_deg": float("inf")}}, "field-invalid"),
        ({"targets": {"inclination_deg": "40"}}, "field-invalid"),
        ({"targets": {"inclination_deg": True}}, "field-invalid"),
        ({"reaming": {"first_under_mm": 1, "last_under_mm": 3}}, "field-invalid"),
        ({"posture": {"standing_tilt_change_deg": 90}}, "field-invalid"),
        ({"posture": {"seated_tilt_change_deg": -61}}, "field-invalid"),
        ({"posture": {"seated_tilt_change_deg": "-20"}}, "field-invalid"),
    ],
)
def test_what_no_plan_can_be_is_refused(changes, code):
    assert code_of(content(**changes)) == code


def test_an_error_names_the_field():
    with pytest.raises(InputError, match=r"cup\.outer_diameter_mm"):
        validated(PlanFile, content(cup={"outer_diameter_mm": 500}), "plan.json")


def test_how_the_pelvis_sits_is_kept_where_it_was_given_and_not_written_where_it_was_not(tmp_path):
    """A field that was added: plans without it, and the digests that tell plans apart, stay as they were."""
    golden = GOLDEN / "plan-1.json"
    PlanFile.read(golden).write(tmp_path / "plan.json")
    assert (tmp_path / "plan.json").read_bytes() == golden.read_bytes()
    seated = validated(PlanFile, content(posture={"seated_tilt_change_deg": -25.0}), "plan.json")
    seated.write(tmp_path / "plan.json")
    assert PlanFile.read(tmp_path / "plan.json").posture.seated_tilt_change_deg == -25.0
    open_again = validated(PlanFile, content(posture={"seated_tilt_change_deg": None}), "plan.json")
    assert open_again.to_json() == PlanFile(side=Side.LEFT).to_json()
