from __future__ import annotations

import numpy as np
import pytest
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.cup.scan_edges import half_height_mm, scan_blur
from cotyle.cup.wall import measure_wall, wall_along_axis
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotate, rotation_matrix
from cotyle.space.side import Side
from cup_solids import box, join, model_hip, shell, socket_block
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erf

MEDIAL = np.array([-1.0, 0, 0])


def slab(*pieces: tuple[float, float]) -> TriangleMesh:
    """Bone between depths along -x: (0, 10) is the slab from x = 0 to x = -10."""
    return join(*(box([-deep, -60, -60], [-shallow, 60, 60]) for shallow, deep in pieces))


def wall_of(bone: TriangleMesh, pole_depth: float, direction=MEDIAL, diameter: float = 50.0, **options):
    direction = np.asarray(direction) / np.linalg.norm(direction)
    pole = np.array([-pole_depth, 0.3, 0.4])
    step = step_along(diameter, pole - diameter / 2 * direction, direction)
    return measure_wall(bone, inner_surface(bone, [40, 0, 0], MEDIAL), Cavity((step,)), **options)


def test_a_slab_leaves_what_is_not_reamed():
    wall = wall_of(slab((0, 10)), pole_depth=4)
    assert (wall.along_axis_mm, wall.advance_mm, wall.minimum_mm) == pytest.approx((6, 6, 6), abs=1e-6)
    assert not wall.breached
    assert wall.minimum_at_lps_mm == pytest.approx([-10, 0.3, 0.4], abs=1e-3)
    assert wall.exit_lps_mm == pytest.approx([-10, 0.3, 0.4], abs=1e-6)


def test_an_empty_stretch_before_the_bone_is_way_but_not_bone():
    wall = wall_of(slab((0, 10)), pole_depth=-3)
    assert (wall.along_axis_mm, wall.advance_mm, wall.minimum_mm) == pytest.approx((10, 13, 13), abs=1e-6)


def test_a_gap_under_two_millimetres_neither_ends_nor_shortens_the_bone():
    wall = wall_of(slab((0, 4), (5.5, 10)), pole_depth=1)
    assert (wall.along_axis_mm, wall.advance_mm) == pytest.approx((9, 9), abs=1e-6)
    assert wall.bone_behind_mm == 0


def test_a_wider_gap_ends_the_bone_and_what_lies_behind_is_told():
    wall = wall_of(slab((0, 4), (7, 12)), pole_depth=1)
    assert (wall.along_axis_mm, wall.advance_mm, wall.bone_behind_mm) == pytest.approx((3, 3, 5), abs=1e-6)
    assert any("gap of 3.0 mm" in note for note in wall.notes)


def test_bone_reamed_through_before_the_fossa_is_no_breach():
    # the pole has passed the first sheet and lies over a fossa 6 mm deep; the floor follows
    wall = wall_of(slab((0, 4), (10, 14)), pole_depth=7)
    assert not wall.breached
    assert (wall.along_axis_mm, wall.advance_mm) == pytest.approx((4, 7), abs=1e-6)


def test_a_pole_past_the_inner_surface_is_a_breach():
    wall = wall_of(slab((0, 10)), pole_depth=11, with_map=True)
    assert wall.breached
    assert wall.breached_on_axis
    assert (wall.along_axis_mm, wall.advance_mm, wall.minimum_mm) == (0, 0, 0)
    assert wall.exit_lps_mm is None
    assert wall.map.thickness_mm[0] == 0


def test_the_far_side_of_the_pelvis_does_not_hide_a_breach():
    # bone again 45 mm beyond the inner surface: not this wall
    wall = wall_of(slab((0, 10), (55, 65)), pole_depth=11)
    assert wall.breached_on_axis
    assert wall.along_axis_mm == 0


def test_no_bone_behind_the_pole_is_said():
    wall = wall_of(slab((0, 10)), pole_depth=4, direction=[0, 0, 1])  # runs within the slab and leaves it sideways
    assert wall.along_axis_mm == pytest.approx(60 - 0.4, abs=1e-6)
    far = wall_along_axis(slab((0, 10)), step_along(50, [200, 0, 0], MEDIAL))
    assert far.breached
    assert "no bone" in far.note


@given(st.floats(0, 50), st.floats(1, 9))
@settings(max_examples=25)
def test_an_oblique_axis_meets_more_bone_than_the_least_wall(lean, depth):
    direction = rotate(MEDIAL, [0, 1, 0], lean)
    wall = wall_of(slab((0, 10)), depth, direction)
    left = 10 - depth
    # along: left / cos(lean); least: centre to plane minus radius (geometry)
    assert wall.along_axis_mm == pytest.approx(left / np.cos(np.radians(lean)), abs=1e-6)
    center_depth = depth - 25 * np.cos(np.radians(lean))
    if 10 - center_depth > 25:
        assert wall.minimum_mm == pytest.approx(10 - center_depth - 25, abs=1e-3)
        assert not wall.breached
    else:
        assert wall.breached
        assert not wall.breached_on_axis
        assert wall.minimum_mm == 0


# half of the bone that a whole line meets in a shell 26/22 at offset p: 8.0000, 8.8082, 20.0000, 14.2829 (textbook)
@pytest.mark.parametrize(("offset", "bone"), [(0, 4.0), (10, 4.4041), (24, 10.0), (25, 7.1414)])
def test_chords_through_a_spherical_shell(offset, bone):
    mesh = shell([0, 0, 0], 26, 22)
    # the pole 15 mm in front of the middle, in the hollow; beyond the hollow, in the plane through the middle
    step = step_along(30, [0 if offset < 22 else 15, 0.01, offset], MEDIAL)
    assert wall_along_axis(mesh, step).along_mm == pytest.approx(bone, abs=0.04)


def test_the_map_is_the_distance_everywhere_on_the_floor():
    wall = wall_of(slab((0, 10)), pole_depth=4, with_map=True)
    depth = 10 + wall.map.mesh.vertices_lps_mm[:, 0]
    assert wall.map.thickness_mm == pytest.approx(depth, abs=1e-6)
    assert wall.map.thickness_mm.min() == pytest.approx(wall.minimum_mm, abs=1e-6)


def test_wall_left_falls_by_half_the_difference_of_sizes_at_the_same_centre():
    # T0 - (d2 - d1) / 2 (geometry)
    bone = socket_block(24, 30)
    surface = inner_surface(bone, [0, 0, 0], MEDIAL)
    walls = [measure_wall(bone, surface, Cavity((step_along(d, [0, 0, 0], MEDIAL),))) for d in (49, 50, 52)]
    assert [w.along_axis_mm for w in walls] == pytest.approx([5.5, 5.0, 4.0], abs=1e-6)
    assert [w.minimum_mm for w in walls] == pytest.approx([5.5, 5.0, 4.0], abs=1e-6)


def test_an_earlier_deeper_reamer_counts_for_the_least_wall():
    bone = socket_block(24, 30)
    surface = inner_surface(bone, [0, 0, 0], MEDIAL)
    deep, last = step_along(47, [-3, 0, 0], MEDIAL), step_along(49, [0, 0, 0], MEDIAL)
    assert measure_wall(bone, surface, Cavity((deep, last))).minimum_mm == pytest.approx(30 - 26.5, abs=1e-6)


# --- read from the scan ---


def blurred_slab(shallow: float, deep: float, normal, peak_hu=1200.0, outside_hu=50.0, blur_mm=0.7) -> Volume:
    """A CT of a slab, depth running against ``normal``: a box profile convolved with a Gaussian, on oblique voxels."""
    spacing = np.array([0.8, 0.8, 1.0])
    affine = np.eye(4)
    affine[:3, :3] = rotation_matrix([1, 2, 3], 20) * spacing
    size = np.array([70, 70, 60])
    affine[:3, 3] = -affine[:3, :3] @ (size / 2)
    k, j, i = np.meshgrid(*(np.arange(n) for n in size[::-1]), indexing="ij")
    points = np.stack([i, j, k], axis=-1) @ affine[:3, :3].T + affine[:3, 3]
    depth = -(points @ np.asarray(normal))
    share = 0.5 * (erf((depth - shallow) / blur_mm / 2**0.5) - erf((depth - deep) / blur_mm / 2**0.5))
    return Volume((outside_hu + (peak_hu - outside_hu) * share).astype(np.float32), affine)


@pytest.mark.parametrize("error", [-1.2, -0.5, 0.0, 0.5, 1.2])
def test_the_scan_puts_a_misplaced_surface_right(error):
    # the middle of a blurred step stays where the step is (symmetric blur)
    volume = blurred_slab(0, 6, [1, 0, 0])
    assert half_height_mm(volume, [-6 - error, 0, 0], MEDIAL) == pytest.approx(-error, abs=0.1)
    wall = wall_of(slab((0, 6 + error)), pole_depth=1, volume=volume)
    assert wall.along_axis_mm == pytest.approx(5, abs=0.1)
    assert wall.scan_shift_mm == pytest.approx(-error, abs=0.1)
    assert wall.uncertainty_mm > abs(error) / 3


def test_both_edges_of_a_floor_under_an_empty_fossa_are_read():
    volume = blurred_slab(0, 6, [1, 0, 0])
    wall = wall_of(slab((0.7, 5.4)), pole_depth=-2, volume=volume)
    assert wall.along_axis_mm == pytest.approx(6, abs=0.15)
    assert wall.advance_mm == pytest.approx(8, abs=0.1)


def test_without_a_clear_edge_the_surface_stays_and_it_is_said():
    flat = blurred_slab(0, 6, [1, 0, 0], peak_hu=120)
    wall = wall_of(slab((0, 6)), pole_depth=1, volume=flat)
    assert wall.along_axis_mm == pytest.approx(5, abs=1e-6)
    assert wall.scan_shift_mm is None
    assert any("no clear edge" in note for note in wall.notes)


def test_a_wall_thinner_than_the_scan_resolves_is_flagged():
    volume = blurred_slab(0, 1.0, [1, 0, 0])
    thin = wall_of(slab((0, 1.0)), pole_depth=0.2, volume=volume)
    assert thin.thin
    assert any("resolves" in note for note in thin.notes)
    assert not wall_of(slab((0, 6)), pole_depth=1, volume=blurred_slab(0, 6, [1, 0, 0])).thin


def thin_cortex(thickness: float, blur_mm: float = 0.7) -> Volume:
    """Trabecular bone of 200 HU under a cortex of 1200 HU that ends at x = -6, oblique voxels."""
    soft = blurred_slab(0, 6, [1, 0, 0], 200, 50, blur_mm)
    hard = blurred_slab(6 - thickness, 6, [1, 0, 0], 1000, 0, blur_mm)
    return Volume(soft.voxels + hard.voxels, soft.ijk_to_lps)


@pytest.mark.parametrize("lean", [0, 40])
@pytest.mark.parametrize("error", [-0.6, 0.0, 0.6])
def test_a_thin_cortex_is_read_without_bias_once_the_blur_is_known(lean, error):
    # the phantom is the blurred layer itself; its edge lies 5 / cos(lean) from a pole at depth 1
    volume = thin_cortex(1.2)
    direction = rotate(MEDIAL, [0, 1, 0], lean)
    options = {"pole_depth": 1, "direction": direction, "volume": volume}
    fitted = wall_of(slab((0, 6 + error)), blur=Blur(0.7, 1200.0), **options)
    assert fitted.along_axis_mm == pytest.approx(5 / np.cos(np.radians(lean)), abs=0.1)
    half = wall_of(slab((0, 6 + error)), **options)
    assert half.along_axis_mm > fitted.along_axis_mm


def test_the_blur_is_found_at_the_inner_surface():
    found = scan_blur(thin_cortex(2.5), inner_surface(slab((0, 6)), [40, 0, 0], MEDIAL))
    assert found.sigma_mm == pytest.approx(0.7, abs=0.15)
    assert found.cortex_hu == pytest.approx(1200, abs=150)


# --- hip bones of the open shape model ---


@pytest.mark.parametrize("side", list(Side))
def test_the_floor_of_the_mean_hip_is_as_thin_as_published(side):
    # thinnest floor of the fossa 3.9 +- 1.9 mm in 25 cadavers (Anatomic assessment of the acetabular fossa for screw
    # fixation, J Korean Orthop 2004; abstract); a reamer that just reaches the floor leaves about that
    hip = model_hip(side)
    diameter = hip.diameter + 1
    medial = (hip.floor - hip.center) @ hip.medial - diameter / 2
    axis = axis_from_orientation(Orientation(40, 17.5), Definition.RADIOGRAPHIC, hip.frame, side)
    step = step_along(diameter, hip.center + medial * hip.medial, -axis)
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    wall = measure_wall(hip.bone, surface, Cavity((step,)), with_map=True)
    assert not wall.breached
    assert 3.9 - 2 * 1.9 < wall.minimum_mm < 3.9 + 2 * 1.9
    assert wall.minimum_mm <= wall.advance_mm
    assert wall.map.thickness_mm.min() == pytest.approx(wall.minimum_mm, abs=0.15)


def test_medialising_takes_the_least_wall_one_for_one_until_it_breaks():
    hip = model_hip()
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    axis = axis_from_orientation(Orientation(40, 17.5), Definition.RADIOGRAPHIC, hip.frame, hip.side)
    walls = []
    for medial in np.arange(3.0, 12.0):
        step = step_along(hip.diameter + 1, hip.center + medial * hip.medial, -axis)
        walls.append(measure_wall(hip.bone, surface, Cavity((step,))))
    least = np.array([w.minimum_mm for w in walls])
    # the inner surface looks medially there, within about 15 deg: the loss per mm is the cosine
    falling = np.diff(least[least > 0])
    assert len(falling) >= 4
    assert (falling < -0.9).all()
    assert (falling > -1.01).all()
    assert walls[-1].breached
    assert least[-1] == 0
