"""Lost bone held against the volumes of caps and shells."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.bone_loss import DEEP_MM, SPARED_MM, MirroredSocket, bone_loss, lost_points
from cotyle.cup.options.bone_field import bone_field
from cotyle.space.frames import Frame
from cup_solids import box, join, sphere, turned_inside_out

FRAME = Frame("supine", np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]))
RADIUS = 20.0
SOCKET = MirroredSocket(np.zeros(3), RADIUS, np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -30.0]))

BLOCK = box((-45.0, -45.0, -45.0), (0.5, 45.0, 45.0), cell_mm=45.0)


def field(mesh):
    return bone_field(mesh, np.zeros(3), 48.0)


@pytest.fixture(scope="module")
def whole():
    return field(BLOCK)


def test_nothing_is_lost_of_a_bone_that_is_its_own_mirror_image(whole):
    losses = bone_loss(whole, whole, SOCKET, FRAME)
    assert set(losses) == {"floor", "roof", "front", "back", "teardrop", "ischium"}
    assert all(loss.missing_ml == 0.0 for loss in losses.values())
    assert len(lost_points(whole, whole, SOCKET, FRAME)) == 0


def test_the_floor_is_the_cap_of_a_shell(whole):
    # spherical cap of a half angle a: share (1 - cos a) / 2 of the shell (textbook solid angle)
    shell = 4 / 3 * np.pi * ((RADIUS + DEEP_MM) ** 3 - RADIUS**3) / 1000.0
    losses = bone_loss(whole, whole, SOCKET, FRAME)
    assert losses["floor"].of_ml == pytest.approx(shell * (1 - np.cos(np.radians(45.0))) / 2, rel=0.02)


def test_the_quarters_share_the_rest_alike(whole):
    losses = bone_loss(whole, whole, SOCKET, FRAME)
    sizes = [losses[name].of_ml for name in ("roof", "front", "back")]
    assert sizes == pytest.approx([np.mean(sizes)] * 3, rel=0.03)


def test_a_hollow_in_the_floor_is_lost_by_its_own_volume(whole):
    hollow = sphere((-27.3, 0.2, 0.4), 5.0, 4)  # beside the nodes
    own = field(join(BLOCK, turned_inside_out(hollow)))
    losses = bone_loss(own, whole, SOCKET, FRAME)
    assert losses["floor"].missing_ml == pytest.approx(4 / 3 * np.pi * 5.0**3 / 1000.0, rel=0.03)
    assert losses["roof"].missing_ml == 0.0
    assert losses["floor"].share == pytest.approx(losses["floor"].missing_ml / losses["floor"].of_ml)


def test_a_skin_thinner_than_what_is_spared_is_not_lost(whole):
    thinner = field(box((-45.0, -45.0, -45.0), (0.5 - 0.9 * SPARED_MM, 45.0, 45.0), cell_mm=45.0))
    losses = bone_loss(thinner, whole, SOCKET, FRAME)
    assert sum(loss.missing_ml for loss in losses.values()) == 0.0


def test_front_and_back_are_told_apart(whole):
    hollow = sphere((-10.0, -26.0, 0.0), 3.0, 3)  # in front: posterior is +y
    own = field(join(BLOCK, turned_inside_out(hollow)))
    losses = bone_loss(own, whole, SOCKET, FRAME)
    assert losses["front"].missing_ml > 0.09
    assert losses["back"].missing_ml == 0.0


def test_without_a_teardrop_its_regions_are_left_out(whole):
    bare = MirroredSocket(SOCKET.center_lps_mm, RADIUS, SOCKET.opening_axis_lps, None)
    assert set(bone_loss(whole, whole, bare, FRAME)) == {"floor", "roof", "front", "back"}


def test_fields_with_other_nodes_are_refused(whole):
    other = bone_field(BLOCK, np.ones(3), 48.0)
    with pytest.raises(ValueError, match="nodes"):
        bone_loss(other, whole, SOCKET, FRAME)
