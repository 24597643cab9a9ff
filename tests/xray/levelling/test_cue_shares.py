"""What an angle rests on: shares that add up, and millimetres per degree that are known beforehand."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.space.frames import SCANNER
from cotyle.xray.levelling.point_pose import pose_near
from cotyle.xray.levelling.point_task import Known

from tests.xray.levelling.clicked_pelves import FORAMINA, LINES, TEARDROPS, Errors, clicks_of, nominal, pelvis

# symphysis 110 mm in front of the sacral crest, both in the middle
PLACES = {
    "teardrop_left": (60.0, 0.0, -20.0),
    "teardrop_right": (-60.0, 0.0, -20.0),
    "hip_center_left": (90.0, 0.0, 0.0),
    "hip_center_right": (-90.0, 0.0, 0.0),
    "symphysis": (0.0, -40.0, -45.0),
    "sacrum_midline": (0.0, 5.0, 60.0),  # 65 mm before the crest, see sacral_midline.py
}


def flat_known():
    marks = {name: Landmark(name, np.array(place), Origin.GIVEN, 0.1) for name, place in PLACES.items()}
    return Known(marks, SCANNER)


def pose(known, names, **changes):
    carm = nominal(known)
    found = clicks_of(carm, known, names, np.random.default_rng(1), Errors(0.0, False))
    return pose_near(found, known, carm, (0.0, 0.0), **changes)


def test_symphysis_and_sacral_midline_move_apart_by_the_sine_of_their_depth():
    # 110 mm apart from front to back: 1.92 mm per degree of axial rotation, orthographic (check by sin 1 deg)
    support = pose(flat_known(), (*TEARDROPS, "symphysis", "sacral_crest")).support["table_roll_deg"]
    assert support.leading == "symphysis against sacral midline"
    assert support.mm_per_deg == pytest.approx(110.0 * np.sin(np.deg2rad(1.0)), abs=0.12)


def test_the_turn_of_the_picture_rests_on_the_two_teardrops():
    # 120 mm apart: one degree is 2.09 mm at right angles; the prior takes a little of it
    support = pose(flat_known(), TEARDROPS).support["picture_turn_deg"]
    assert support.leading == "teardrops, left against right"
    assert support.mm_per_deg == pytest.approx(120.0 * np.sin(np.deg2rad(1.0)), rel=0.35)
    assert support.shares[0].kind == "teardrop"


def test_shares_and_prior_add_up_to_one():
    known = pelvis(1)
    found = pose(known, (*TEARDROPS, "symphysis", "sacral_crest", *FORAMINA, *LINES))
    for support in found.support.values():
        assert support.prior_share + sum(each.share for each in support.shares) == pytest.approx(1.0, abs=1e-6)
        assert all(each.share >= 0 for each in support.shares)


def test_in_an_asymmetric_ring_teardrops_and_ilioischial_lines_lead():
    known = pelvis(2)
    names = (*TEARDROPS, "symphysis", "sacral_crest", *LINES)

    def ring_share(asymmetric):
        changed = Known(known.landmarks, known.frame, known.hip_bones, known.sacrum, asymmetric_ring=asymmetric)
        shares = {each.kind: each.share for each in pose(changed, names).support["table_roll_deg"].shares}
        return shares["symphysis"] + shares["sacral_crest"], shares["teardrop"] + shares["ilioischial_line"]

    even, askew = ring_share(False), ring_share(True)
    assert even[0] > even[1]
    assert askew[1] > askew[0]
