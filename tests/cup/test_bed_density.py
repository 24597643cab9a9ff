"""Density behind a shell: means over a slope, regions, the edge of the bone, marrow."""

import numpy as np
import pytest
from cotyle.cup.bed_density import DEPTH_MM, REGIONS, bed_density, marrow_about
from cotyle.cup.component import Cup
from cotyle.cup.wall_gaps import deep_density_hu
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER, Frame
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side

from tests.cup.cup_solids import box, socket_block
from tests.cup.screws.test_paths import FLAT, scan

BLOCK = socket_block(24.0, 80.0, 75.0)
"""A socket that opens straight to the left, at the origin; the shell lies 1 mm deep in its bone."""
CUP = Cup(Side.LEFT, np.array([0.0, 0.3, 0.2]), np.array([1.0, 0.0, 0.0]), 50.0)


def measured(volume, cup=CUP, bone=BLOCK, frame=SCANNER):
    return bed_density(bone, cup, frame, volume, deep_density_hu(bone, volume))


def test_a_homogeneous_bed_has_one_density_everywhere():
    found = measured(FLAT)
    inner = found.from_pole_deg < 89.0  # at the rim the line runs in the block's face
    assert found.hu[inner] == pytest.approx(300.0)
    assert found.marrow_hu == pytest.approx(300.0)
    for name in REGIONS:
        assert found.regions[name].bone_hu == pytest.approx(300.0)
        assert found.regions[name].marrow_hu == pytest.approx(300.0)


def test_a_slope_of_density_is_read_at_the_middle_of_the_first_ten_mm():
    """Linear density: the mean over 10 mm is that of the place 5 mm behind the shell."""
    found = measured(scan(lambda places: 400.0 + 6.0 * places[..., 2]))
    for row, polar in enumerate(np.deg2rad(found.from_pole_deg[:-1])):
        for column, turn in enumerate(np.deg2rad(found.around_deg)):
            height = (CUP.radius_mm + DEPTH_MM / 2) * np.sin(polar) * np.cos(turn) + 0.2
            assert found.hu[row, column] == pytest.approx(400.0 + 6.0 * height, abs=0.1)


# density goes up and to the front: superior and anterior are the harder regions, their opposites the softer ones
def test_regions_lie_where_their_names_say():
    found = measured(scan(lambda places: 400.0 + 6.0 * places[..., 2] - 3.0 * places[..., 1]))
    value = {name: found.regions[name].bone_hu for name in REGIONS}
    assert value["superior"] > value["anterior"] > value["medial"] > value["posterior"] > value["inferior"]
    assert value["medial"] == pytest.approx(400.0, abs=3.0)
    marrow = {name: found.regions[name].marrow_hu for name in REGIONS}
    assert marrow["superior"] > marrow["medial"] > marrow["inferior"]


def test_the_edge_of_the_bone_is_found_and_what_is_beyond_is_not_known():
    """A block that ends 10 mm above the centre: straight up bone ends where 10 / sin = 25 + 2.5 mm, at about 21 deg."""
    low = box([-90.0, -90.0, -90.0], [0.0, 90.0, 10.0], cell_mm=6.0)
    found = measured(FLAT, bone=low)
    top = int(np.flatnonzero(found.around_deg == 0.0)[0])
    assert found.rim_deg[top] == pytest.approx(np.rad2deg(np.arcsin(9.8 / 27.5)), abs=5.0)
    assert np.isnan(found.hu[found.from_pole_deg > 30.0, top]).all()
    assert found.regions["superior"].bone_share < 0.5
    assert found.regions["inferior"].bone_share > 0.9


def test_where_there_is_no_bone_nothing_is_known():
    far = Cup(Side.LEFT, np.array([200.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]), 50.0)
    found = measured(FLAT, cup=far)
    assert np.isnan(found.hu).all()
    assert np.isnan(found.marrow_hu)
    assert np.isnan(found.rim_hu).all()
    assert found.regions["medial"].bone_share == 0.0


def test_it_turns_with_the_patient():
    turn = rotation_matrix([1.0, 2.0, -1.0], 25.0)
    slope = scan(lambda places: 400.0 + 6.0 * places[..., 2])
    turned_slope = scan(lambda places: 400.0 + 6.0 * (places @ turn)[..., 2])
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    cup = Cup(Side.LEFT, turn @ CUP.center_lps_mm, turn @ CUP.opening_axis_lps, 50.0)
    frame = Frame("turned", np.zeros(3), *(turn @ axis for axis in np.eye(3)))
    here = measured(slope)
    there = measured(turned_slope, cup=cup, bone=BLOCK.transformed(matrix), frame=frame)
    inner = here.from_pole_deg < 89.0
    assert there.hu[inner] == pytest.approx(here.hu[inner], abs=0.1)


def test_marrow_about_a_socket_is_a_median_of_what_lies_deep():
    assert marrow_about(BLOCK, CUP.center_lps_mm, 25.0, deep_density_hu(BLOCK, FLAT)) == pytest.approx(300.0)
    nothing = np.full(len(BLOCK.vertices_lps_mm), np.nan)
    assert np.isnan(marrow_about(BLOCK, CUP.center_lps_mm, 25.0, nothing))


def test_density_outside_the_scan_is_not_known():
    small = Volume(np.full((3, 3, 3), 300.0, dtype=np.float32), np.diag([4.0, 4.0, 4.0, 1.0]))
    assert np.isnan(measured(small).hu).all()
