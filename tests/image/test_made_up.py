"""What a repair makes up is told with its place, and how far off it may be holds against shapes that are known."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.image.gaps import judge_gaps
from cotyle.image.made_up import ROUND_MM, listed, made_up_stretches, sd_of_gap, unsure_mm
from cotyle.image.read import read_volume
from dicom_phantom import make_slices, tilted_slices, write_slices
from hypothesis import given
from hypothesis import strategies as st

UP = np.array([0.0, 0.0, 1.0])


def stretches(distances, usual=1.0, heights=None):
    distances = np.asarray(distances, dtype=float)
    return made_up_stretches(distances, distances if heights is None else heights, UP, usual, "z =")


def test_each_gap_is_a_stretch_between_its_two_real_slices():
    (one, two) = stretches([0, 1, 3, 4, 5, 8, 9])
    assert (one.low_mm, one.high_mm, one.gap_mm, one.slices) == (1.0, 3.0, 2.0, 1)
    assert (two.low_mm, two.high_mm, two.gap_mm, two.slices) == (5.0, 8.0, 3.0, 2)
    assert listed([one, two]) == (
        "between z = 1.00 and 3.00 mm (gap of 2.00 mm), between z = 5.00 and 8.00 mm (gap of 3.00 mm)"
    )


def test_neighbouring_gaps_are_one_stretch_and_real_slices_in_it_are_not_made_up():
    (one,) = stretches([0, 1, 2, 4, 6, 8])
    assert (one.low_mm, one.high_mm, one.gap_mm, one.slices) == (2.0, 8.0, 2.0, 3)
    assert "gaps of 2.00 mm" in one.words


def test_what_is_even_or_nearly_so_holds_nothing_made_up():
    assert stretches(np.arange(9.0)) == ()
    assert stretches(np.arange(9.0) + 0.04 * np.array([0, 1, -1] * 3)) == ()


def test_many_stretches_are_not_all_told_but_counted():
    distances = [n for n in range(40) if n % 4 != 2]
    assert listed(stretches(distances)).endswith("and in 4 more gaps")


def test_points_between_the_ends_are_held_and_those_on_a_real_slice_are_not():
    (one,) = stretches([0, 1, 3, 4])
    points = np.array([[5.0, 5.0, 1.0], [5.0, 5.0, 1.2], [-90.0, 0.0, 2.9], [0.0, 0.0, 3.0]])
    assert one.holds(points).tolist() == [False, True, True, False]


def test_closed_forms_of_the_deviation():
    assert sd_of_gap(1.0, 1.0, 1.0) == 0.0
    assert sd_of_gap(0.0, 3.0, 1.0) == pytest.approx(8 / (8 * ROUND_MM))
    # an even chance over 2 mm has 2 / sqrt(12) for its standard deviation, and half of 2 for its farthest
    assert sd_of_gap(1.0, 2.0, 0.0) == pytest.approx(2 / np.sqrt(12), rel=0.01)
    assert unsure_mm(2.0, 0.0) == pytest.approx(1.0, rel=0.01)


@given(
    lean_deg=st.floats(0.0, 88.0),
    gap=st.floats(1.5, 8.0),
    blur=st.floats(0.3, 2.0),
    seed=st.integers(0, 2**31),
)
def test_a_flat_edge_in_a_gap_is_no_farther_off_than_is_said(lean_deg, gap, blur, seed):
    """A step blurred over a width, known on the slices at both ends, drawn through straight in between."""
    lean = np.radians(lean_deg)
    normal = np.array([np.cos(lean), np.sin(lean)])  # (within the slices, along their normal)
    z = np.random.default_rng(seed).uniform(0, gap)
    true = np.array([-z * np.tan(lean), z])  # on the plane through the origin
    way = np.linspace(-gap, gap, 4001)
    x, height = (true[:, None] + way * normal[:, None]) if lean else (true[0] + way, np.full_like(way, z))
    weight = np.clip(height / gap, 0, 1)
    below, above = (np.clip(0.5 - (x * normal[0] + end * normal[1]) / blur, 0, 1) for end in (0.0, gap))
    drawn = (1 - weight) * below + weight * above
    off = float(np.abs(way[np.abs(drawn - 0.5) <= np.abs(drawn - 0.5).min() + 1e-9]).min())
    assert off <= unsure_mm(gap, 0.0) + 0.02


def test_what_is_said_of_flat_edges_is_not_far_beyond_what_happens():
    """With sharp edges the error is as large as it is said to be: half the strip between both slices."""
    gap, lean = 2.0, np.radians(60.0)
    (shift,) = (gap * np.sin(lean) / 2,)
    assert np.sqrt(3.0) * sd_of_gap(np.sin(lean), gap, 0.0) == pytest.approx(shift, rel=0.02)


def test_a_repaired_series_says_which_slices_are_made_up(tmp_path):
    slices = [s for n, s in enumerate(make_slices()) if n not in (20, 40, 41)]
    _, info = read_volume(write_slices(tmp_path, slices), repair=True)
    assert [(m.low_mm, m.high_mm, m.slices) for m in info.made_up] == [(-12.5, -10.5, 1), (7.5, 10.5, 2)]
    assert "between z = -12.50 and -10.50 mm" in info.repairs[0]
    assert "3 slices interpolated" in info.repairs[0]
    assert info.as_dict()["made_up"][0]["where"] == "z = -12.50 and -10.50 mm"


def test_a_tilted_series_without_gaps_has_nothing_made_up(tmp_path):
    _, info = read_volume(write_slices(tmp_path, tilted_slices(12.0)), repair=True)
    assert info.repairs
    assert info.made_up == ()


def test_check_says_before_any_repair_how_sure_it_would_be():
    distances = np.array([0.0, 1, 2, 3, 5, 6, 7])
    _, (found,) = judge_gaps(distances, distances, "z =")
    assert "edges in them are known to ± 0.9 mm only" in found.text


@pytest.mark.parametrize("unit", [1.0, 0.5, 0.25])
@pytest.mark.parametrize("spacing", [0.6, 0.625, 0.7, 0.8, 1.25, 1.3, 1.5, 2.2, 2.5])
def test_rounded_positions_are_refused_unless_rounding_did_no_harm(spacing, unit):
    """Usual spacings of scanners, positions written in coarse steps: no repair may take them for missing slices."""
    true = 0.11 + spacing * np.arange(60)
    written = np.unique(np.round(true / unit) * unit)
    gaps, found = judge_gaps(written, written, "z =")
    if len(written) < len(true):  # two slices at one place: refused before
        return
    if any(f.code == "series-positions-rounded" for f in found):
        return
    assert not gaps.resample
    np.testing.assert_allclose(written - written[0], true - true[0], atol=0.13)


def test_slices_missing_among_whole_positions_are_still_missing_slices():
    distances = np.array([n for n in range(64) if n not in (5, 9, 20, 33, 50)], dtype=float)
    _, (found,) = judge_gaps(distances, distances, "z =")
    assert found.code == "series-gap"
    assert found.numbers["slices"] == 5
