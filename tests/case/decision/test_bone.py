"""The facts on bone quality: soft is said where it is, and what is not known is not said."""

import numpy as np
import pytest
from cotyle.case.decision.bone import BoneFacts, bone_of
from cotyle.case.decision.questions import Questions
from cotyle.case.schema import validated
from cotyle.case.stages import hip_of
from cotyle.image.volume import Volume
from cotyle.report.decision.bone_page import bone_page

from tests.case.decision.stand_ins import even_scan, model_case


def facts(scan, planned=None, **bone):
    content = {"schema": "cotyle/questions", "version": 1, "bone": bone}
    planned = planned or model_case()
    hip = hip_of(planned.anatomy, scan, planned.plan.side)
    return bone_of(planned, hip, validated(Questions, content, "questions of this test"), 1)


def codes(found):
    return {doubt.code for doubt in found.doubts}


@pytest.mark.parametrize(("hu", "soft"), [(250.0, False), (60.0, True), (-40.0, True)])
def test_soft_bone_is_flagged_with_the_practice_it_suggests(hu, soft):
    found = facts(even_scan(hu))
    assert found.marrow_hu == pytest.approx(hu)
    assert found.opposite_marrow_hu == pytest.approx(hu)
    assert found.soft is soft
    assert ("bone-soft" in codes(found)) is soft
    said = " ".join(bone_page(found).advice)
    assert ("short bursts" in said) is soft
    assert ("common practice" in said) is soft


def test_the_limit_is_the_users():
    assert facts(even_scan(150.0), soft_below_hu=160.0).soft
    assert not facts(even_scan(150.0), soft_below_hu=140.0).soft


def test_a_bed_harder_behind_than_in_front_draws_the_reamer_forward():
    scan = even_scan(0.0)
    places = scan.ijk_to_lps[1, 3] + 10.0 * np.arange(scan.voxels.shape[1])
    center = model_case().cup.center_lps_mm[1]
    slope = Volume((300.0 + 8.0 * (places - center))[None, :, None] * np.ones_like(scan.voxels), scan.ijk_to_lps)
    found = facts(slope)
    assert (found.hardest, found.softest) == ("posterior", "anterior")
    assert found.uneven
    assert "posteriorly" in " ".join(bone_page(found).advice)
    assert not facts(even_scan(300.0)).uneven


def test_outside_the_scan_nothing_is_known_and_nothing_is_guessed():
    small = Volume(np.full((3, 3, 3), 300.0, dtype=np.float32), np.diag([4.0, 4.0, 4.0, 1.0]))
    found = facts(small)
    assert found.soft is None
    assert found.marrow_hu is None
    assert found.hardest is None
    assert "bone-unknown" in codes(found)
    assert bone_page(found).tiles[0].value == "not known"


def test_metal_is_said_to_spoil_every_density_where_the_numbers_stand():
    found = facts(even_scan(250.0), model_case(metal=True))
    assert "bone-beside-metal" in codes(found)
    page = bone_page(found)
    assert "Do not go by it" in page.lead
    assert [tile.bad for tile in page.tiles] == [True, False, True]
    assert "Do not go by it" not in bone_page(facts(even_scan(250.0))).lead


def test_the_wall_is_read_between_floor_and_inner_surface():
    wall = facts(even_scan(250.0)).wall
    assert wall.mean_hu == wall.most_hu == pytest.approx(500.0)


def test_the_file_is_read_back_as_it_was_written(tmp_path):
    found = facts(even_scan(250.0))
    found.write(tmp_path / "bone.json")
    read = BoneFacts.read(tmp_path / "bone.json")
    assert read.to_json() == found.to_json()
    assert bone_page(read) == bone_page(found)
