"""The outside projector as it is called here, and what is put into its volumes, against closed forms."""

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner

pytest.importorskip("itk")

from tests.validation.theatre.bodies import SOFT_TISSUE_HU, body_mask, lengthened, parts_of, without_head
from tests.validation.theatre.matter import mu_of_hu, mu_per_mm
from tests.validation.theatre.metal import Dome, dome_excess, rod_chords_mm, share_inside
from tests.validation.theatre.outside_projector import OutsideProjector
from tests.validation.theatre.shots import about

OBLIQUE = rotation_matrix((1, -1, 0.5), 25.0)


def c_arm(primary=0.0, secondary=0.0, size=64, isocenter=(0, 0, 0), detector_mm=250.0):
    return from_positioner(
        isocenter,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=680,
        pixel_pitch_mm=(detector_mm / size, detector_mm / size),
        size=(size, size),
    )


STRAIGHT = np.eye(3)


def grid_points(half, spacing, directions=STRAIGHT):
    """Affine and points (n, 3) of a grid of 2 half + 1 voxels around the origin."""
    steps = directions * np.asarray(spacing)
    affine = np.eye(4)
    affine[:3, :3] = steps
    affine[:3, 3] = -steps @ np.asarray(half)
    k, j, i = np.meshgrid(*(np.arange(2 * n + 1) for n in half[::-1]), indexing="ij")
    return affine, np.stack([i, j, k], axis=-1) @ steps.T + affine[:3, 3]


def rays_of(carm):
    columns, rows = carm.size
    return carm.ray(np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1))


# also from behind the table, where the toolkit wants the columns the other way round
VIEWS = ((0, 0), (35, -20), (180, 0), (90, 30))


@pytest.mark.parametrize("directions", [np.eye(3), OBLIQUE], ids=["straight", "oblique"])
@pytest.mark.parametrize("view", VIEWS)
def test_a_ball_off_the_middle_projects_to_its_chords(view, directions):
    center, radius, mu = np.array([8.0, -6.0, 10.0]), 40.0, 0.03
    affine, points = grid_points((48, 48, 48), (1.2, 1.2, 1.2), directions)
    share = np.clip(0.5 + (radius - np.linalg.norm(points - center, axis=-1)) / 1.2, 0.0, 1.0)
    carm = c_arm(*view)
    found = OutsideProjector(Volume((mu * share).astype(np.float32), affine)).project(carm)
    apart = np.linalg.norm(np.cross(center - carm.source_lps_mm, rays_of(carm)), axis=-1)
    exact = 2.0 * mu * np.sqrt(np.maximum(radius**2 - apart**2, 0.0))
    clear = abs(apart - radius) > 3.0
    assert (exact[clear] > 0).sum() > 300
    error = abs(found - exact)[clear] / exact.max()
    assert np.median(error[exact[clear] > 0]) < 0.001
    assert error.max() < 0.01


def test_a_box_projects_to_its_chords():
    affine, points = grid_points((40, 30, 50), (1.0, 1.2, 1.5))
    low, high = np.array([-20.5, -18.6, -30.75]), np.array([25.5, 24.6, 45.75])  # between voxels: no partial ones
    inside = ((points > low) & (points < high)).all(axis=-1)
    carm = c_arm(20, 10)
    found = OutsideProjector(Volume(np.where(inside, np.float32(0.02), np.float32(0.0)), affine)).project(carm)
    rays = rays_of(carm)
    with np.errstate(divide="ignore"):
        ends = np.sort(np.stack([(low - carm.source_lps_mm) / rays, (high - carm.source_lps_mm) / rays]), axis=0)
    chord = np.maximum(ends[1].min(axis=-1) - ends[0].max(axis=-1), 0.0)
    # rays through the middle of two faces; at edges a grid of voxels has no edges
    middle = chord > 0.995 * chord.max()
    assert middle.sum() > 10
    assert found[middle] == pytest.approx(0.02 * chord[middle], rel=0.02)
    assert found.sum() == pytest.approx(0.02 * chord.sum(), rel=0.01)


def phantom(motion):
    """A pelvis-like shell and a long skew femur in soft tissue; the femur as moved by a rigid 4x4; and its labels."""
    affine, points = grid_points((60, 45, 70), (1.0, 1.0, 1.0))
    hu = np.full(points.shape[:3], -1000.0)
    body = ((points / [58.0, 42.0, 200.0]) ** 2).sum(axis=-1) < 1
    hu[body] = SOFT_TISSUE_HU
    apart = np.linalg.norm(points - HEAD, axis=-1)
    pelvis = (apart > 19.0) & (apart < 24.0) & (points[..., 2] > HEAD[2] + 4)
    hu[pelvis] = 900.0
    back = np.linalg.inv(motion)
    own = points @ back[:3, :3].T + back[:3, 3] - HEAD
    # distances to the head and to a shaft that starts in it, softened over a voxel as a scan does
    along = np.clip(own @ SHAFT, 0.0, 45.0)
    shaft = np.linalg.norm(own - along[..., None] * SHAFT, axis=-1) - 7.0
    level = np.minimum(np.linalg.norm(own, axis=-1) - 14.0, shaft)
    share = np.clip(0.5 - level / 2.0, 0.0, 1.0)
    hu += share * (700.0 - SOFT_TISSUE_HU)
    labels = np.zeros(hu.shape, dtype=np.uint8)
    labels[pelvis] = LABEL_OF_BONE["right_hip_bone"]
    labels[level < 0] = LABEL_OF_BONE["right_femur"]
    return Volume(np.rint(hu).astype(np.int16), affine), Volume(labels, affine)


HEAD = np.array([5.0, 2.0, 10.0])
SHAFT = np.array([-0.45, 0.1, -0.88]) / np.linalg.norm([-0.45, 0.1, -0.88])


def test_a_femur_turned_by_a_turned_camera_is_the_femur_turned_in_the_voxels():
    motion = about(HEAD, rotation_matrix((1.0, 0.4, -0.2), 22.0), np.array([-3.0, 2.0, 0.0]))
    scan, labels = phantom(np.eye(4))
    turned, _ = phantom(motion)
    parts = parts_of(scan, labels, np.ones(scan.voxels.shape, dtype=bool))
    kev = 60.0
    soft = mu_of_hu(np.array([SOFT_TISSUE_HU], dtype=np.int16), kev)[0]
    femur = parts.femora[Side.RIGHT]
    excess = OutsideProjector(femur.with_voxels(mu_of_hu(femur.voxels, kev) - soft))
    rest = OutsideProjector(parts.rest.with_voxels(mu_of_hu(parts.rest.voxels, kev)))
    carm = c_arm(10, 5, size=96, detector_mm=110.0)
    found = rest.project(carm) + excess.project(carm.moved(np.linalg.inv(motion)))
    whole = OutsideProjector(Volume(mu_of_hu(turned.voxels, kev), turned.ijk_to_lps))
    still = OutsideProjector(Volume(mu_of_hu(scan.voxels, kev), scan.ijk_to_lps)).project(carm)
    exact = whole.project(carm)
    bone = soft * 0 + (mu_per_mm("cortical_bone", kev) - soft) * 20.0
    assert abs(exact - still).max() > 0.2 * bone  # the turn is seen
    assert abs(found - exact).max() < 0.05 * bone
    assert np.median(abs(found - exact)) < 0.002 * bone


def test_taken_apart_and_put_together_nothing_changes():
    scan, labels = phantom(np.eye(4))
    parts = parts_of(scan, labels, np.ones(scan.voxels.shape, dtype=bool))
    femur = parts.femora[Side.RIGHT]
    low, first = (np.round(scan.to_ijk(part.to_lps((0, 0, 0)))).astype(int) for part in (femur, parts.rest))
    whole = parts.rest.voxels.astype(int)
    window = tuple(slice(o, o + n) for o, n in zip((low - first)[::-1], femur.voxels.shape, strict=True))
    whole[window] += femur.voxels.astype(int) - SOFT_TISSUE_HU
    window = tuple(slice(o, o + n) for o, n in zip(first[::-1], whole.shape, strict=True))
    assert np.array_equal(whole, scan.voxels[window])


def test_a_body_goes_on_beyond_its_scan_as_its_last_slices_do():
    grid = Volume(np.arange(24, dtype=np.float32).reshape(6, 2, 2), np.diag([1.0, 1.0, 2.0, 1.0]))
    longer = lengthened(grid, 200.0, 110.0)
    assert longer.size[2] == 100 + 6 + 55
    assert np.array_equal(longer.voxels[100:106], grid.voxels)
    assert longer.to_lps((0, 0, 100)) == pytest.approx(grid.to_lps((0, 0, 0)))
    assert np.array_equal(longer.voxels[0], grid.voxels[1])
    assert np.array_equal(longer.voxels[-1], grid.voxels[4])


def test_the_head_is_cut_off_across_the_neck_and_the_rest_stays():
    scan, labels = phantom(np.eye(4))
    femur = parts_of(scan, labels, np.ones(scan.voxels.shape, dtype=bool)).femora[Side.RIGHT]
    excess = femur.with_voxels(mu_of_hu(femur.voxels, 60.0) - mu_of_hu(np.array([SOFT_TISSUE_HU]), 60.0)[0])
    cut = without_head(excess, HEAD, 14.0)

    def at(point):
        i, j, k = np.round(excess.to_ijk(point)).astype(int)
        return excess.voxels[k, j, i], cut.voxels[k, j, i]

    whole, left = at(HEAD)
    assert whole > 0
    assert left == 0
    whole, left = at(HEAD + 30.0 * SHAFT)
    assert left == pytest.approx(whole)


def test_the_couch_is_no_part_of_the_body():
    hu = np.full((20, 60, 60), -1000, dtype=np.int16)
    hu[:, 10:40, 10:50] = 40
    hu[:, 20:26, 20:30] = -950  # gas within
    hu[:, 44:46, 5:55] = -100  # couch
    mask = body_mask(Volume(hu, np.eye(4)))
    assert mask[10, 12:38, 12:48].all()
    assert not mask[:, 43:].any()


@pytest.mark.parametrize("view", [(0, 0), (40, -15)])
def test_a_shell_stops_a_ray_through_its_centre_by_its_wall(view):
    axis = np.array([-0.6, -0.3, -0.74]) / np.linalg.norm([-0.6, -0.3, -0.74])
    cup = Cup(Side.RIGHT, np.array([3.0, 4.0, -2.0]), axis, 52.0)
    empty = Volume(
        np.zeros((80, 80, 80), dtype=np.float32),
        np.array([[1, 0, 0, -40], [0, 1, 0, -40], [0, 0, 1, -40], [0, 0, 0, 1]], dtype=float),
    )
    shell = dome_excess(Dome(cup.center_lps_mm, axis, 26.0, 4.0, 0.3), empty, 0.0)
    volume = float(shell.voxels.sum()) * shell.voxel_volume_mm3 / 0.3
    assert volume == pytest.approx(2.0 / 3.0 * np.pi * (26.0**3 - 22.0**3), rel=2e-3)
    # the central ray runs through the centre of the pixel grid's middle
    carm = c_arm(*view, size=65, isocenter=cup.center_lps_mm)
    assert OutsideProjector(shell).project(carm)[32, 32] == pytest.approx(0.3 * 4.0, rel=0.02)


def test_bone_within_the_half_ball_is_reamed_away_and_the_rest_stays():
    bone = Volume(
        np.full((80, 80, 80), 0.05, dtype=np.float32),
        np.array([[1, 0, 0, -40], [0, 1, 0, -40], [0, 0, 1, -40], [0, 0, 0, 1]], dtype=float),
    )
    shell = dome_excess(Dome(np.zeros(3), np.array([0.0, 0.0, -1.0]), 20.0, 3.0, 0.3), bone, 0.02)
    half = shell.voxels.shape[0] // 2
    in_cavity, in_wall, before_mouth = half + 10, half + round(18.5 / 0.4), half - 10
    assert shell.voxels[in_cavity, half, half] == pytest.approx(0.02 - 0.05)
    assert shell.voxels[in_wall, half, half] == pytest.approx(0.3 - 0.05)
    assert shell.voxels[before_mouth, half, half] == 0


def test_a_cube_cut_by_a_plane_counts_by_its_share():
    points = np.array([[0.0, 0.0, -2.0], [0.0, 0.0, 0.25], [0.0, 0.0, 0.0], [0.0, 0.0, 2.0]])
    assert share_inside(points, lambda p: p[:, 2], 1.0) == pytest.approx([1.0, 0.25, 0.5, 0.0])


def test_a_rod_is_as_long_a_way_for_a_ray_as_a_cylinder_is():
    carm = c_arm(size=65, detector_mm=130.0)
    # across the beam: the ray through its middle meets its diameter; 4 mm aside 2 sqrt(36 - 16)
    rod = rod_chords_mm(carm, np.array([0.0, 0.0, -50.0]), np.array([0.0, 0.0, 50.0]), 6.0)
    assert rod[32, 32] == pytest.approx(12.0, rel=1e-4)
    # along the beam: the ray through its middle meets its length
    rod = rod_chords_mm(carm, np.array([0.0, -30.0, 0.0]), np.array([0.0, 40.0, 0.0]), 6.0)
    assert rod[32, 32] == pytest.approx(70.0, rel=1e-5)
    # skew: as the same bar in voxels
    start, end = np.array([-20.0, 10.0, -25.0]), np.array([15.0, -18.0, 20.0])
    affine, points = grid_points((60, 60, 60), (0.6, 0.6, 0.6))
    axis = (end - start) / np.linalg.norm(end - start)
    along = (points - start) @ axis
    across = np.linalg.norm(points - start - along[..., None] * axis, axis=-1)
    inside = (across < 6.0) & (along > 0) & (along < np.linalg.norm(end - start))
    carm = c_arm(30, 20, size=64)
    voxels = OutsideProjector(Volume(inside.astype(np.float32), affine)).project(carm)
    exact = rod_chords_mm(carm, start, end, 6.0)
    assert exact.sum() == pytest.approx(voxels.sum(), rel=0.01)
    assert abs(exact - voxels).mean() < 0.03 * exact.max()


def test_attenuation_is_that_of_the_tables():
    # NIST (Hubbell and Seltzer): water 0.2059, cortical bone 0.3148 x 1.92, titanium 0.7661 x 4.506 per cm at 60 keV
    assert mu_per_mm("water", 60) == pytest.approx(0.02059)
    assert mu_per_mm("cortical_bone", 60) == pytest.approx(0.06044, rel=1e-3)
    assert mu_per_mm("titanium", 60) == pytest.approx(0.3452, rel=1e-3)
    assert mu_of_hu(np.array([-1000, 0], dtype=np.int16), 60.0) == pytest.approx([0.0, 0.02059], rel=1e-4)
    with pytest.raises(ValueError, match="outside"):
        mu_per_mm("water", 40)
