"""Bodies with known line integrals, and the views that the projectors are tried in."""

import numpy as np
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.xray.attenuation import AttenuationCurve
from cotyle.xray.carm import from_positioner

# mu = 0.02 / mm (1 + HU / 1000): straight, so that the mean HU of a voxel has the mean mu
STRAIGHT = AttenuationCurve(np.array([-1000.0, 4000.0]), np.array([0.0, 0.1]), 70.0, 70.0)

# centre mm, half axes mm, turn about (1, 2, 3) in deg, HU added: body, two bones, a cavity
ELLIPSOIDS = [
    ((0.0, 0.0, 0.0), (85.0, 62.0, 72.0), 10.0, 1000),
    ((40.0, 5.0, 10.0), (32.0, 28.0, 36.0), 35.0, 700),
    ((-35.0, -5.0, -5.0), (30.0, 34.0, 27.0), -50.0, 500),
    ((5.0, 8.0, -35.0), (26.0, 30.0, 24.0), 70.0, -600),
]
RADIUS_MM = 90.0


def unit_ball_maps():
    """Each ellipsoid as (centre, matrix to the unit ball, HU)."""
    for center, half_axes, turn_deg, hu in ELLIPSOIDS:
        yield np.array(center), np.diag(1 / np.array(half_axes)) @ rotation_matrix((1, 2, 3), turn_deg).T, hu


def ellipsoid_volume(directions, spacing_mm):
    """HU of the ellipsoids on a grid around the origin, voxels at a surface averaged over 6 x 6 x 6 points."""
    steps = np.asarray(directions, dtype=float) * spacing_mm
    reach = RADIUS_MM * np.linalg.norm(np.linalg.inv(steps), axis=1)
    half = np.ceil(reach).astype(int)
    affine = np.eye(4)
    affine[:3, :3] = steps
    affine[:3, 3] = -steps @ half
    k, j, i = np.meshgrid(*(np.arange(2 * n + 1) for n in half[::-1]), indexing="ij")
    centers = np.stack([i, j, k], axis=-1).reshape(-1, 3) @ steps.T + affine[:3, 3]
    fine = (np.stack(np.meshgrid(*[np.arange(6)] * 3), axis=-1).reshape(-1, 3) - 2.5) / 6.0 @ steps.T
    hu = np.full(len(centers), -1000.0)
    for center, to_ball, added in unit_ball_maps():
        distance = np.linalg.norm((centers - center) @ to_ball.T, axis=1)
        margin = np.linalg.norm(to_ball, 2) * np.linalg.norm(steps, 2)
        share = (distance < 1).astype(float)
        edge = np.flatnonzero(abs(distance - 1) < margin)
        for part in np.array_split(edge, max(len(edge) // 20000, 1)):
            points = (centers[part][:, None] + fine - center) @ to_ball.T
            share[part] = ((points**2).sum(axis=-1) < 1).mean(axis=1)
        hu += added * share
    return Volume(np.rint(hu).astype(np.int16).reshape(k.shape), affine)


def exact_line_integrals(carm):
    """Sum of chord length times mu per ellipsoid, and a mask of pixels away from every outline."""
    columns, rows = carm.size
    pixels = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    rays = carm.ray(pixels)
    total, clear = np.zeros(len(rays)), np.ones(len(rays), dtype=bool)
    for center, to_ball, hu in unit_ball_maps():
        start, way = to_ball @ (carm.source_lps_mm - center), rays @ to_ball.T
        a, b, c = (way**2).sum(axis=1), way @ start, start @ start - 1
        quarter = b * b - a * c
        total += 2e-5 * hu * 2 * np.sqrt(np.maximum(quarter, 0)) / a
        # the ray passes the unit ball's centre at sqrt(1 - quarter / a): keep off its surface
        clear &= abs(np.sqrt(np.maximum(1 - quarter / a, 0)) - 1) > 0.2
    return total.reshape(rows, columns), clear.reshape(rows, columns)


def c_arm(primary, secondary, size=96, isocenter=(0, 0, 0)):
    pitch = 300.0 / size
    return from_positioner(
        isocenter,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1020,
        source_isocenter_mm=650,
        pixel_pitch_mm=(pitch, pitch),
        size=(size, size),
    )


OBLIQUE = rotation_matrix((1, -1, 0.5), 25.0)
VIEWS = ((0, 0), (35, 20), (90, 45))
