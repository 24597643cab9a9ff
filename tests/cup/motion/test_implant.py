"""The rim of a liner against the textbook's oscillation angle and against a rod turned in small steps."""

import numpy as np
import pytest
from cotyle.cup.motion.implant import Liner, Stem, free_lean_deg
from cotyle.errors import InputError
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("head", "neck", "oscillation"),
    [
        (22.2, 12, 114.56),
        (28, 12, 129.25),
        (32, 12, 135.95),
        (36, 12, 141.06),
        (40, 12, 145.08),
        (28, 14, 120.00),
        (28, 10, 138.15),
    ],
)
def test_a_flush_liner_gives_the_textbook_angle(head, neck, oscillation):
    """180 - 2 asin(neck / head); worked values calculated apart from this code."""
    assert 2 * free_lean_deg(head, neck) == pytest.approx(oscillation, abs=0.01)


def leaned_by_steps(head, neck, liner):
    """Turn a rod until one of many points of the rim's round profile is nearer to its axis than its radius."""
    bore, edge = 0.5 * head, liner.face_height_mm - liner.chamfer_mm
    inner = bore if edge >= 0 else np.sqrt(bore**2 - edge**2)
    share = np.linspace(0.0, 1.0, 60)
    radii = inner + share * liner.chamfer_mm * np.tan(np.radians(liner.chamfer_deg))
    heights = edge + share * liner.chamfer_mm
    turns = np.linspace(0.0, 2 * np.pi, 181)
    ring = np.stack(
        np.broadcast_arrays(radii[:, None] * np.cos(turns), radii[:, None] * np.sin(turns), heights[:, None])
    )
    ring = ring.reshape(3, -1).T
    for lean in np.arange(0.0, 150.0, 0.1):
        rod = np.array([np.sin(np.radians(lean)), 0.0, np.cos(np.radians(lean))])
        along = ring @ rod
        away = np.sqrt(np.maximum((ring**2).sum(axis=1) - along**2, 0.0))
        if ((away < 0.5 * neck) & (along > 0)).any():
            return lean
    return np.inf


@pytest.mark.parametrize("liner", [Liner(), Liner(2.0), Liner(-3.0), Liner(0.0, 3.0, 45.0), Liner(4.0, 2.0, 30.0)])
def test_face_and_chamfer_are_those_of_a_rod_turned_in_steps(liner):
    assert free_lean_deg(32.0, 12.0, liner) == pytest.approx(leaned_by_steps(32.0, 12.0, liner), abs=0.15)


@given(st.floats(22.0, 40.0), st.floats(8.0, 16.0), st.floats(0.0, 4.0))
def test_a_deeper_liner_takes_and_a_chamfer_gives(head, neck, mm):
    flush = free_lean_deg(head, neck)
    assert free_lean_deg(head, neck, Liner(mm)) <= flush + 1e-9
    assert free_lean_deg(head, neck, Liner(0.0, mm)) >= flush - 1e-9


def test_a_head_that_sits_proud_is_stopped_by_the_cups_own_rim():
    proud = Liner(face_height_mm=-6.0)
    assert free_lean_deg(28.0, 12.0, proud, 50.0) < free_lean_deg(28.0, 12.0, proud)
    assert free_lean_deg(28.0, 12.0, proud, 50.0) == pytest.approx(90 - np.degrees(np.arcsin(6 / 25)), abs=1e-9)


def test_a_neck_points_down_outward_and_with_version_backward():
    lateral, anterior, superior = Stem(20.0, 130.0, 12.0).neck
    assert lateral > 0 > anterior
    assert superior < 0
    assert np.degrees(np.arctan2(-anterior, lateral)) == pytest.approx(20.0)
    assert np.degrees(np.arcsin(-superior)) == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda: Stem(80.0, 130.0, 12.0), "stem-version"),
        (lambda: Stem(10.0, 90.0, 12.0), "neck-shaft-angle"),
        (lambda: Stem(float("nan"), 130.0, 12.0), "stem-version"),
        (lambda: Stem(10.0, 130.0, 2.0), "neck-diameter"),
        (lambda: Liner(20.0), "liner"),
        (lambda: Liner(0.0, 1.0, 90.0), "liner"),
        (lambda: free_lean_deg(22.0, 24.0), "neck-diameter"),
    ],
)
def test_what_is_no_stem_and_no_liner_is_refused(make, code):
    with pytest.raises(InputError) as refused:
        make()
    assert refused.value.code == code
