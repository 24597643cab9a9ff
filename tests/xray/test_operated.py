"""Bone taken away and metal put in, against chords of balls and shells."""

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle
from cotyle.xray.attenuation import attenuation_curve, linear_attenuation_per_mm
from cotyle.xray.carm import from_positioner
from cotyle.xray.operated import FLUID_HU, ReamedBone, metal_compressed, with_shell, without_bone, without_implant
from cotyle.xray.projector.reference import line_integrals
from scipy.spatial import ConvexHull

BONE_HU = 800


def sphere(radius, center=(0.0, 0.0, 0.0)):
    """A ball of triangles with its corners on the sphere: the hull of points spread evenly (golden spiral)."""
    n = np.arange(4000) + 0.5
    polar, around = np.arccos(1 - 2 * n / 4000), np.pi * (1 + 5**0.5) * n
    points = np.stack([np.cos(around) * np.sin(polar), np.sin(around) * np.sin(polar), np.cos(polar)], axis=1)
    hull = ConvexHull(points).simplices
    corners = points[hull]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    outward = np.einsum("ij,ij->i", normals, corners[:, 0])
    triangles = np.where(outward[:, None] > 0, hull, hull[:, ::-1])
    return TriangleMesh(radius * points + np.asarray(center), triangles)


CURVE = attenuation_curve()


def front(size=121, pitch=1.0):
    """Nearly parallel, magnification 1: pixel p lies p - 60 mm to the left of the middle."""
    return from_positioner(
        (0, 0, 0), 0, 0, frame=SCANNER, source_detector_mm=1e6 + 100.0, source_isocenter_mm=1e6,
        pixel_pitch_mm=(pitch, pitch), size=(size, size),
    )  # fmt: skip


def block(half_mm=50.0, voxel=1.0, hu=BONE_HU):
    count = int(2 * half_mm / voxel)
    affine = np.diag([voxel, voxel, voxel, 1.0])
    affine[:3, 3] = -half_mm + voxel / 2
    return Volume(np.full((count, count, count), hu, np.int16), affine)


def test_reaming_takes_the_ball_and_the_cylinder_behind_it():
    # along the beam through the middle: the chord of the ball, of bone less fluid
    step = step_along(50.0, (0, 0, 0), (-1.0, 0, 0), 20.0)
    socket = ReamedBone(block(), [step])
    taken = line_integrals(socket.after([step]), front()) - line_integrals(socket.before, front())
    change = float(CURVE(FLUID_HU) - CURVE(BONE_HU))
    for left in (-20.0, -10.0, 0.0, 10.0):
        # the half ball to the right of the centre, the cylinder to its left
        chord = 2 * np.sqrt(25.0**2 - left**2) if left < 0 else 50.0
        assert taken[60, int(60 + left)] == pytest.approx(change * chord, rel=0.015)
    assert taken[60, 60 + 24] == 0
    assert taken[5, 5] == 0


def test_nothing_reamed_changes_nothing():
    step = step_along(50.0, (0, 0, 0), (-1.0, 0, 0))
    socket = ReamedBone(block(), [step])
    assert socket.after([]) is socket.before


def test_metal_is_drawn_together_above_bone_and_bone_stays():
    # s log(1 + e / s) above the knee: e 1, s 0.5 gives 0.5 log 3
    made = metal_compressed(np.array([[0.0, 2.0, 3.0, 30.0]], np.float32), 2.0, 0.5)
    assert made[0] == pytest.approx([0.0, 2.0, 2.0 + 0.5 * np.log(3.0), 2.0 + 0.5 * np.log(57.0)])


@pytest.mark.parametrize(("material", "thickness"), [("iron", 1.0), ("titanium", 4.0)])
def test_a_shell_adds_metal_less_the_fluid_that_it_displaces(material, thickness):
    # chords of a ball, 2 sqrt(r^2 - p^2), of a 26 / 22 shell seen along its axis: half of both balls
    rim = Circle(np.zeros(3), np.array([0.0, -1.0, 0.0]), 26.0)
    bare = np.zeros((121, 121), np.float32)
    made = with_shell(bare, front(), rim, thickness, material)
    per_mm = linear_attenuation_per_mm(material, CURVE.xray_kev) - float(CURVE(FLUID_HU))
    assert made[60, 60] == pytest.approx(per_mm * thickness, rel=1e-3)
    if thickness == 4.0:
        # 20 mm beside the middle, 33.2265 mm of the outer ball's chord less 2 sqrt(22^2 - 20^2), half of both
        assert made[60, 80] == pytest.approx(per_mm * (33.2265 - 18.3303) / 2, rel=2e-3)
    assert not bare.any()
    assert made[60, 60 + 28] == 0


def test_a_shell_partly_beside_the_picture_is_added_where_it_is_in_it():
    rim = Circle(np.array([55.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0]), 26.0)
    made = with_shell(np.zeros((121, 121), np.float32), front(), rim, 1.0, "iron")
    assert made[60, 115] > 0
    assert not made[:, :80].any()


def test_a_bone_is_taken_out_and_its_neighbour_stays():
    scan = block(hu=BONE_HU)
    femur, hip = sphere(20.0, (0.0, 0, 0)), sphere(20.0, (-41.0, 0, 0))
    emptied = without_bone(scan, femur, hip)
    assert scan.voxels.min() == BONE_HU
    inside = emptied.voxels == int(FLUID_HU)
    # the ball's volume with one more voxel all round (4/3 pi (r + 0.5 to 1)^3)
    assert 4 / 3 * np.pi * 20.3**3 < inside.sum() < 4 / 3 * np.pi * 21.2**3
    centers = emptied.to_lps(np.argwhere(inside)[:, ::-1])
    assert np.linalg.norm(centers, axis=1).max() < 22.0
    assert np.linalg.norm(centers - [-41.0, 0, 0], axis=1).min() > 19.5
    carm = front()
    gone = line_integrals(emptied, carm)[60, 60] - line_integrals(scan, carm)[60, 60]
    assert gone == pytest.approx(float(CURVE(FLUID_HU) - CURVE(BONE_HU)) * 41.0, rel=0.03)


def test_an_old_implant_goes_whole_and_other_metal_stays():
    # a cup at the hip with a stem that reaches far, and a plate 60 mm away, both 3000 HU with a shining rim of 900
    scan = block(hu=200)
    voxels = scan.voxels.copy()
    voxels[48:52, 48:52, 45:98] = 900
    voxels[49:51, 49:51, 46:97] = 3000
    voxels[5:9, 5:9, 5:9] = 3000
    emptied = without_implant(Volume(voxels, scan.ijk_to_lps), (0.0, 0.0, 0.0)).voxels
    assert emptied[48:52, 48:52, 45:98].max() == FLUID_HU
    assert (emptied[5:9, 5:9, 5:9] == 3000).all()
    assert emptied[30, 30, 30] == 200


def test_a_scan_without_metal_is_left_as_it_is():
    scan = block()
    assert without_implant(scan, (0.0, 0.0, 0.0)) is scan


def test_air_within_the_bone_that_goes_is_not_filled():
    scan = block(hu=-1000)
    assert (without_bone(scan, sphere(20.0), sphere(5.0, (30.0, 0, 0))).voxels == -1000).all()
