"""Several ways to know one socket's sphere, combined."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import SocketSeeds
from cotyle.anatomy.mirrored_half import lay_halves
from cotyle.anatomy.sockets.rim import find_rim
from cotyle.anatomy.sockets.socket_sphere import find_socket_sphere
from cotyle.anatomy.sockets.socket_ways import OPPOSITE, RIM, SURFACE, SocketWay, combine_ways, gather_ways
from cotyle.errors import InputError
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

from tests.anatomy.pelves import subject

CENTER = np.array([80.0, 20.0, -60.0])


def way(name, shift=(0.0, 0.0, 0.0), center_sd_mm=1.0, diameter_mm=50.0, diameter_sd_mm=1.0):
    return SocketWay(name, Sphere(CENTER + np.array(shift), 0.5 * diameter_mm), center_sd_mm, diameter_sd_mm)


def test_one_way_alone_is_taken_as_it_is():
    found = combine_ways([way("surface", center_sd_mm=0.7)])
    np.testing.assert_allclose(found.sphere.center_lps_mm, CENTER)
    assert found.center_sd_mm == pytest.approx(0.7)
    assert found.disagreements == ()


def test_ways_that_agree_count_by_inverse_variance_and_make_it_surer():
    found = combine_ways([way("a", (0.4, 0.0, 0.0), 1.0), way("b", (-0.4, 0.0, 0.0), 2.0)])
    assert found.sphere.center_lps_mm[0] - CENTER[0] == pytest.approx(0.4 * (1.0 - 0.25) / 1.25, abs=0.02)
    assert found.center_sd_mm == pytest.approx(1.0 / np.sqrt(1.25), rel=0.1)
    assert found.disagreements == ()


def test_a_way_far_off_hardly_counts_and_is_named():
    ways = [way("surface", center_sd_mm=0.5), way("rim", (0.5, 0.0, 0.0), 2.0), way("opposite", (0.0, 15.0, 0.0), 2.0)]
    found = combine_ways(ways)
    assert np.linalg.norm(found.sphere.center_lps_mm - CENTER) < 0.2
    named = {each.way: each.apart_mm for each in found.disagreements}
    assert named["opposite"] == pytest.approx(15.0, abs=0.5)


def test_ways_that_scatter_too_much_make_it_less_sure():
    close = combine_ways([way("a"), way("b", (0.5, 0.0, 0.0))])
    apart = combine_ways([way("a"), way("b", (5.0, 0.0, 0.0))])
    assert apart.center_sd_mm > 1.3 * close.center_sd_mm


@given(st.permutations(range(4)))
def test_the_order_of_the_ways_does_not_matter(order):
    ways = [way("a", (1, 0, 0), 0.5), way("b", (0, 2, 0), 1.0), way("c", (0, 0, -3), 2.0), way("d", (4, 4, 0), 3.0)]
    one, other = combine_ways(ways), combine_ways([ways[number] for number in order])
    np.testing.assert_allclose(one.sphere.center_lps_mm, other.sphere.center_lps_mm, atol=1e-6)


def test_nothing_known_is_refused():
    with pytest.raises(InputError, match="nothing says"):
        combine_ways([])


@pytest.mark.parametrize("side", list(Side))
def test_the_indirect_ways_lie_near_the_surface_of_a_healthy_socket(side):
    surfaces, seeds = subject(2)
    fits = {
        each: find_socket_sphere(surfaces[f"{each}_hip_bone"], each, np.eye(3), seeds.socket(each)) for each in Side
    }
    halves = lay_halves({each: surfaces[f"{each}_hip_bone"] for each in Side})
    rim = find_rim(surfaces[f"{side}_hip_bone"], fits[side].sphere, np.eye(3), side)
    ways = {
        each.name: each
        for each in gather_ways(side, fits[side], rim, SocketSeeds(), opposite=fits[side.opposite], halves=halves)
    }
    assert set(ways) == {SURFACE, OPPOSITE, RIM}
    for each in ways.values():
        apart = each.sphere.center_lps_mm - fits[side].sphere.center_lps_mm
        assert np.linalg.norm(apart) < 3.0 * each.center_sd_mm, each.name


def test_after_the_head_has_left_a_socket_its_shape_tells_less():
    surfaces, seeds = subject(2)
    bone = surfaces["left_hip_bone"]
    fit = find_socket_sphere(bone, Side.LEFT, np.eye(3), seeds.socket(Side.LEFT))
    rim = find_rim(bone, fit.sphere, np.eye(3), Side.LEFT)
    seated, left = (gather_ways(Side.LEFT, fit, rim, SocketSeeds(), left=left)[-1] for left in (False, True))
    assert left.center_sd_mm > seated.center_sd_mm
