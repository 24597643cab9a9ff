"""The view that shows the wall: closed forms of a ball beside a cylinder and a plane, and laws."""

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER, frame_from_left_and_superior
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotation_matrix
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from cotyle.xray.carm import detector_direction
from cotyle.xray.ellipse import project_sphere
from cotyle.xray.operated import ReamedBone
from cotyle.xray.outlines import silhouette_segments
from cotyle.xray.projector.reference import line_integrals
from cotyle.xray.views import C_ARM
from cotyle.xray.wall_on_screen import inner_edge_lps_mm, wall_place, wall_reading_mm
from cotyle.xray.wall_view import Reach, find_wall_view

R, WALL, BONE_R = 26.0, 4.0, 60.0
APART = BONE_R - R - WALL  # of the axes of the bone's cylinder and of the ball
FAR = 1e7


def bone_cylinder(axis, center, radius=BONE_R, half_mm=70.0, around=360):
    """A closed solid cylinder, its corners on the cylinder, with many rows along its axis."""
    axis = np.asarray(axis, float)
    u = np.cross(axis, [0.31, 0.52, 0.8])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = radius * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)
    heights = np.linspace(-half_mm, half_mm, 15)
    points = np.concatenate([center + ring + h * axis for h in heights])
    here, beside = np.arange(around), (np.arange(around) + 1) % around
    rows = [
        np.concatenate(
            [
                np.stack([row * around + here, row * around + beside, (row + 1) * around + here], axis=1),
                np.stack([row * around + beside, (row + 1) * around + beside, (row + 1) * around + here], axis=1),
            ]
        )
        for row in range(len(heights) - 1)
    ]
    low, high = len(points), len(points) + 1
    ends = [
        np.stack([beside, here, np.full(around, low)], axis=1),
        np.stack([(len(heights) - 1) * around + here, (len(heights) - 1) * around + beside, np.full(around, high)], 1),
    ]
    points = np.vstack([points, center - half_mm * axis, center + half_mm * axis])
    return TriangleMesh(points, np.concatenate([*rows, *ends]))


def hip(axis=(0.0, 0.0, 1.0), outward=(-1.0, 0.0, 0.0), center=(90.0, 5.0, -10.0)):
    """A left socket: the ball's centre, and a bone whose inner surface is a cylinder; the wall lies at ``outward``."""
    outward = np.asarray(outward, float) / np.linalg.norm(outward)
    center = np.asarray(center, float)
    axis = np.asarray(axis, float) - (axis @ outward) * outward
    axis /= np.linalg.norm(axis)
    bone = bone_cylinder(axis, center - APART * outward)
    step = step_along(2 * R, center, outward)
    return wall_place((step,), center + R * outward, WALL, bone)


def off_tangent(turn_deg):
    """What a parallel beam reads of a ball beside a cylinder, turned about the cylinder's axis (plane geometry)."""
    return BONE_R - R - APART * np.cos(np.deg2rad(turn_deg))


def test_a_floor_that_is_through_has_no_wall_to_see():
    place = hip()
    assert wall_place((step_along(2 * R, (0, 0, 0), (-1, 0, 0)),), place.floor_lps_mm, 0.0, place.hip_bone) is None


@pytest.mark.parametrize("beam", [(0, -1, 0), (0, 0, 1), (0, -0.6, 0.8), (0, -0.8, -0.6)])
def test_each_direction_at_right_angles_to_the_wall_reads_its_true_thickness(beam):
    assert wall_reading_mm(hip(), np.array(beam, float), 700.0) == pytest.approx(WALL, abs=0.01)


@pytest.mark.parametrize("turn", [-12.0, -5.0, 3.0, 8.0, 14.0])
def test_turned_off_it_reads_too_thick_by_the_distance_of_the_centres_times_one_minus_cosine(turn):
    place = hip()
    beam = rotation_matrix((0, 0, 1), turn) @ (0, -1.0, 0)
    assert wall_reading_mm(place, beam, FAR) == pytest.approx(off_tangent(turn), abs=0.01)


def test_a_diverging_beam_reads_what_two_tangents_from_its_source_say():
    # in the plane of source and both centres: tangents from a point to two circles (plane geometry)
    place, turn, source_mm = hip(), 10.0, 700.0
    beam = rotation_matrix((0, 0, 1), turn) @ (0, -1.0, 0)
    across = rotation_matrix((0, 0, 1), turn) @ (-1.0, 0, 0)
    source = place.at_lps_mm - source_mm * beam

    def tangent_mm(center, radius):
        offset = center - source
        x, y = offset @ across, offset @ beam
        return source_mm * np.tan(np.arctan2(x, y) + np.arcsin(radius / np.hypot(x, y)))

    ball = place.floor_lps_mm - R * place.outward
    expected = tangent_mm(ball - APART * place.outward, BONE_R) - tangent_mm(ball, R)
    assert wall_reading_mm(place, beam, source_mm) == pytest.approx(expected, abs=0.01)


def test_the_view_is_found_and_its_tolerance_is_the_closed_form():
    found = find_wall_view(hip(), {}, SCANNER, Side.LEFT)
    assert found.tangent
    assert found.reading_mm == pytest.approx(WALL, abs=0.02)
    # in the patient's sagittal plane: the wall lies straight medial
    assert found.view.primary_deg == pytest.approx(0.0, abs=0.5)
    # e (1 - cos a) = 1 mm
    assert found.primary_tolerance_deg == pytest.approx(np.rad2deg(np.arccos(1 - 1 / APART)), abs=0.6)
    # along the cylinder a cranial or caudal turn stays tangent
    assert found.secondary_tolerance_deg is None
    assert found.magnification == pytest.approx(1000 / 700)


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("outward", [(-0.9, 0.35, 0.2), (-0.85, -0.4, 0.3), (-0.8, 0.1, -0.5)])
def test_the_gap_on_the_picture_over_the_magnification_is_the_wall(side, outward):
    # measured on the projected picture: edge of the ball's ellipse to the bone's contour, along the wall's direction
    flip = np.array([side.lateral_sign, 1.0, 1.0])
    outward = np.asarray(outward) / np.linalg.norm(outward) * flip
    axis = np.cross(outward, [0.1, 0.9, 0.3])
    place = hip(axis / np.linalg.norm(axis), outward, np.array([90.0, 5.0, -10.0]) * flip)
    found = find_wall_view(place, {}, SCANNER, side)
    assert found.tangent
    carm = found.view.carm
    ends = carm.project(np.stack([place.floor_lps_mm, place.at_lps_mm])) * carm.pixel_pitch_mm
    direction = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    ball = place.floor_lps_mm - R * place.outward
    ring = project_sphere(carm, Sphere(ball, R)).points(20001)
    segments = silhouette_segments(carm, place.hip_bone)
    contour = carm.project(segments.reshape(-1, 3)) * carm.pixel_pitch_mm
    beside = np.abs((contour - ends[1]) @ [-direction[1], direction[0]]) < 3.0
    near = contour[beside & (np.abs((contour - ends[1]) @ direction) < 20.0)]
    gap = ((near - ends[1]) @ direction).max() - ((ring - ends[1]) @ direction).max()
    assert gap / found.magnification == pytest.approx(WALL, abs=0.1)
    assert found.reading_mm == pytest.approx(WALL, abs=0.05)


def test_mirrored_patients_get_mirrored_angles():
    angles = []
    for side in Side:
        flip = np.array([side.lateral_sign, 1.0, 1.0])
        outward = np.array([-0.9, 0.3, 0.25]) * flip
        place = hip((0.0, 0.6, 0.8) * flip, outward, np.array([90.0, 5.0, -10.0]) * flip)
        found = find_wall_view(place, {}, SCANNER, side)
        angles.append((found.view.primary_deg * side.lateral_sign, found.view.secondary_deg))
    assert angles[0] == pytest.approx(angles[1], abs=0.1)


def test_angles_count_in_the_frame_that_is_named():
    place = hip(outward=(-0.9, 0.3, 0.25))
    turn = rotation_matrix((0.2, 0.5, 0.7), 17.0)
    frame = frame_from_left_and_superior("supine", (0, 0, 0), turn @ (1, 0, 0), turn @ (0, 0, 1))
    moved = wall_place(
        (step_along(2 * R, turn @ (place.floor_lps_mm - R * place.outward), turn @ place.outward),),
        turn @ place.floor_lps_mm,
        WALL,
        place.hip_bone.with_vertices(place.hip_bone.vertices_lps_mm @ turn.T),
    )
    still, turned = (find_wall_view(each, {}, name, Side.LEFT) for each, name in ((place, SCANNER), (moved, frame)))
    assert turned.view.primary_deg == pytest.approx(still.view.primary_deg, abs=1.1)
    assert turned.reading_mm == pytest.approx(still.reading_mm, abs=0.05)
    np.testing.assert_allclose(
        frame.direction_to_lps(detector_direction(turned.view.primary_deg, turned.view.secondary_deg)),
        turned.view.carm.normal_lps,
        atol=1e-9,
    )


def test_out_of_reach_the_nearest_view_says_by_how_much_it_reads_too_thick():
    # a wall that looks to the front and a machine that hardly turns: no beam within reach grazes it
    place = hip((0.0, 0.0, 1.0), (-np.sin(np.deg2rad(70)), -np.cos(np.deg2rad(70)), 0.0))
    found = find_wall_view(place, {}, SCANNER, Side.LEFT, Reach(12.0, 5.0))
    assert not found.tangent
    assert abs(found.view.primary_deg) <= 12.0
    # 20 degrees of turn wanted, 12 reached: 8 left (plane geometry, parallel beam; the diverging one within 0.05 mm)
    assert found.reading_mm == pytest.approx(off_tangent(8.0), abs=0.1)
    assert found.factor == pytest.approx(found.reading_mm / WALL)


def test_a_ridge_beside_the_wall_makes_it_read_too_thick_and_a_little_tilt_is_tried():
    # a rod along the cylinder, 3 mm proud of it and 12 mm behind the wall's point
    place = hip()
    ball = place.floor_lps_mm - R * place.outward
    axis_at = ball - APART * place.outward
    turn = np.arcsin(12.0 / BONE_R)
    ridge = bone_cylinder((0, 0, 1.0), axis_at + (BONE_R - 1.0) * np.array([-np.cos(turn), np.sin(turn), 0]), 4.0)
    bone = TriangleMesh(
        np.vstack([place.hip_bone.vertices_lps_mm, ridge.vertices_lps_mm]),
        np.vstack([place.hip_bone.triangles, ridge.triangles + len(place.hip_bone.vertices_lps_mm)]),
    )
    beside = wall_place((place.step,), place.floor_lps_mm, WALL, bone)
    # straight from the front the rod stands out by (BONE_R - 1) cos + 4 - BONE_R
    proud = (BONE_R - 1.0) * np.cos(turn) + 4.0 - BONE_R
    assert wall_reading_mm(beside, np.array([0, -1.0, 0]), FAR) == pytest.approx(WALL + proud, abs=0.02)
    found = find_wall_view(beside, {}, SCANNER, Side.LEFT, Reach(20.0, 5.0))
    assert found.tangent
    assert abs(found.tilt_deg) <= 6.5
    assert found.reading_mm < WALL + proud - 0.2
    assert found.factor > 1.0


def test_the_edge_that_is_drawn_is_the_outline_of_the_bone():
    # seen along the cylinder's axis its outline is its circle: each drawn point lies on it
    place = hip()
    edge = inner_edge_lps_mm(place, np.array([0.0, 0.0, 1.0]), 6.0)
    axis_at = place.floor_lps_mm - (R + APART) * place.outward
    away = np.hypot(*(edge - axis_at)[:, :2].T)
    assert len(edge) == 13
    np.testing.assert_allclose(away, BONE_R, atol=0.01)


def test_a_wall_without_bone_between_its_points_is_doubtful():
    place = hip()
    assert not find_wall_view(place, {}, SCANNER, Side.LEFT, Reach(1.0, 1.0)).doubtful
    assert place.bone_mm == pytest.approx(WALL, abs=0.01)
    away = wall_place(
        (place.step,), place.floor_lps_mm, WALL, bone_cylinder((0, 0, 1.0), place.at_lps_mm + [-80, 0, 0])
    )
    assert find_wall_view(away, {}, SCANNER, Side.LEFT, Reach(1.0, 1.0)).doubtful


def test_bone_in_the_beam_is_named_with_its_length():
    place = hip()
    plate = bone_cylinder((0, -1.0, 0), place.at_lps_mm + [0, 150.0, 0], radius=30.0, half_mm=7.0)
    found = find_wall_view(place, {"sacrum": plate}, SCANNER, Side.LEFT, Reach(1.0, 1.0))
    assert found.overlap_mm["sacrum"] == pytest.approx(14.0, abs=0.05)


def test_the_rendered_picture_shows_the_same_gap():
    # voxels of the cylinder with the ball cut out, projected; near an edge the square of a chord grows in proportion to
    # the way from it, so that a straight line through the squares finds both edges
    place = hip()
    found = find_wall_view(place, {}, SCANNER, Side.LEFT)
    voxel = 0.8
    low = place.at_lps_mm - [8.0, 45.0, 20.0]
    counts = np.ceil(np.array([30.0, 90.0, 40.0]) / voxel).astype(int)
    affine = np.diag([voxel, voxel, voxel, 1.0])
    affine[:3, 3] = low
    k, j, i = np.meshgrid(*(np.arange(n) for n in counts[::-1]), indexing="ij")
    points = low + voxel * np.stack([i, j, k], axis=-1)
    ball = place.floor_lps_mm - R * place.outward
    from_axis = np.hypot(*np.moveaxis((points - (ball - APART * place.outward))[..., :2], -1, 0))
    share = np.clip(0.5 - (from_axis - BONE_R) / voxel, 0, 1)
    bone = Volume(np.rint(-1000 + 2000 * share).astype(np.int16), affine)
    carm = found.view.carm.detail(place.at_lps_mm, (8.0, 1.0), 161)
    step = step_along(2 * R, ball, place.outward)
    whole = line_integrals(bone, carm)
    socket = ReamedBone(bone, [step])
    taken = line_integrals(socket.before, carm) - line_integrals(socket.after([step]), carm)
    row = carm.size[1] // 2
    at = np.arange(carm.size[0]) * carm.pixel_pitch_mm[0] / found.magnification

    def edge_mm(values, beyond):
        squared = values[row] ** 2
        chosen = (squared > 0.1 * squared.max()) & (squared < 0.5 * squared.max()) & beyond
        slope, level = np.polyfit(at[chosen], squared[chosen], 1)
        return -level / slope

    # the chord of a circle: (c/2)^2 = t (2 r - t); what is left of the line's curvature is below the voxel
    inner = edge_mm(whole, np.ones(len(at), bool))
    floor = edge_mm(taken, np.ones(len(at), bool))
    assert abs(inner - floor) == pytest.approx(WALL, abs=0.35)
    assert C_ARM.source_isocenter_mm == 700.0
