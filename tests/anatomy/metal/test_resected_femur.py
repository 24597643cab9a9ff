"""The cut through a neck, found on a bent rod of bone that was sawn off."""

import numpy as np
import pytest
from cotyle.anatomy.metal.resected_femur import find_resection
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.arrays import unit
from cotyle.space.clipping import cut_off
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Plane, Sphere
from scipy.ndimage import distance_transform_edt, gaussian_filter

HEAD = np.array([0.0, 0.0, 0.0])
NECK_END = np.array([32.0, 4.0, -30.0])
SHAFT_END = np.array([40.0, 0.0, -150.0])
BALL = Sphere(HEAD, 14.0)
TOWARD_HEAD = unit(HEAD - NECK_END)
VOXEL_MM = 1.0


def rod() -> TriangleMesh:
    """A closed tube along the neck and down the shaft."""
    ways = np.concatenate([np.linspace(HEAD, NECK_END, 30), np.linspace(NECK_END, SHAFT_END, 70)[1:]])
    # the bend is rounded, as a trochanter is
    middle = np.stack([gaussian_filter(ways[:, axis], 5.0, mode="nearest") for axis in range(3)], axis=1)
    along = np.gradient(middle, axis=0)
    around = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
    rings = []
    for point, way in zip(middle, along, strict=True):
        u = unit(np.cross(way, [0.0, 1.0, 0.0]))
        w = unit(np.cross(way, u))
        rings.append(point + 15.0 * (np.cos(around)[:, None] * u + np.sin(around)[:, None] * w))
    points = np.concatenate([*rings, middle[:1], middle[-1:]])
    first, last, count, n = len(points) - 2, len(points) - 1, len(around), len(middle)
    here = np.arange(count)
    beside = (here + 1) % count
    triangles = [np.column_stack([np.full(count, first), beside, here])]
    for row in range(n - 1):
        a, b = row * count, (row + 1) * count
        triangles += [
            np.column_stack([a + here, a + beside, b + here]),
            np.column_stack([a + beside, b + beside, b + here]),
        ]
    triangles.append(np.column_stack([np.full(count, last), (n - 1) * count + here, (n - 1) * count + beside]))
    mesh = TriangleMesh(points, np.concatenate(triangles).astype(np.int32))
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(points, mesh.triangles[:, ::-1])


def scan_of(bone: TriangleMesh) -> Volume:
    """Cortex of 2 mm about soft trabecular bone, in soft tissue."""
    affine = np.diag([VOXEL_MM] * 3 + [1.0])
    affine[:3, 3] = -25.0, -30.0, -160.0
    grid = Volume(np.zeros((190, 60, 95), dtype=np.uint8), affine)
    mask, window = inside_mask(bone, grid)
    inside = np.zeros(grid.voxels.shape, dtype=bool)
    inside[window] = mask
    depth = distance_transform_edt(inside) * VOXEL_MM
    hu = np.where(inside, np.where(depth <= 2.0, 1100.0, 120.0), 50.0)
    hu = gaussian_filter(hu, 0.6) + 20.0 * np.random.default_rng(1).standard_normal(hu.shape)
    return Volume(hu.astype(np.int16), affine)


def plane_at(height_mm: float, tilt_deg: float) -> Plane:
    tilt = np.deg2rad(tilt_deg)
    across = unit(np.cross(TOWARD_HEAD, [0.0, 0.0, 1.0]))
    way = np.cos(tilt) * TOWARD_HEAD + np.sin(tilt) * np.cross(across, TOWARD_HEAD)
    return Plane(HEAD - height_mm * TOWARD_HEAD, way)


@pytest.mark.parametrize(("height_mm", "tilt_deg"), [(20.0, 0.0), (26.0, 8.0), (32.0, -8.0)])
def test_a_cut_neck_is_found_where_and_as_it_was_cut(height_mm, tilt_deg):
    whole = rod()
    true = plane_at(height_mm, tilt_deg)
    found = find_resection(scan_of(cut_off(whole, true)), whole, BALL)
    assert found is not None
    angle = np.rad2deg(np.arccos(np.clip(found.plane.normal_lps @ true.normal_lps, -1.0, 1.0)))
    assert angle < 8.0
    assert abs(found.plane.signed_distance_mm(HEAD - height_mm * TOWARD_HEAD)) < 2.0


def test_a_whole_neck_is_not_cut():
    whole = rod()
    assert find_resection(scan_of(whole), whole, BALL) is None


def test_nothing_is_cut_where_the_neck_is_not_to_be_believed():
    whole = rod()

    def trust(points):
        return (np.linalg.norm(points - HEAD, axis=1) > 70.0).astype(float)

    assert find_resection(scan_of(cut_off(whole, plane_at(26.0, 0.0))), whole, BALL, trust) is None
