"""Pictures of a cup over a pelvis-like background, with the metal drawn by closed forms or by voxels.

The voxels are filled by asking of points whether they lie in the shell, and projected as a CT is: nothing there knows
the chords that the fit uses.
"""

from dataclasses import dataclass

import numpy as np
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.attenuation import attenuation_curve
from cotyle.xray.carm import from_positioner
from cotyle.xray.display import with_noise
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.projector.reference import line_integrals
from cotyle.xray.solids import shell_chords_mm

TITANIUM_60_KEV = 0.345
WATER, TRABECULAR, CORTICAL = 0.0206, 0.012, 0.038


@dataclass(frozen=True)
class Scene:
    """A C-arm, a cup and a plan near it."""

    carm: object
    cup: Cup
    planned: Cup


def scene(
    rng, inclination=None, anteversion=None, diameter=None, off_mm=4.0, off_deg=5.0, side=None, size=512, window=None
):
    side = side or (Side.LEFT, Side.RIGHT)[int(rng.integers(2))]
    inclination = rng.uniform(32, 52) if inclination is None else inclination
    anteversion = rng.uniform(2, 32) if anteversion is None else anteversion
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)
    center = np.array([side.lateral_sign * 88.0, 5.0, -20.0])
    cup = Cup(side, center, axis, diameter or float(2 * rng.integers(23, 30)))
    carm = a_c_arm(center, rng.uniform(-35, 35, 3), rng.uniform(-15, 15), rng.uniform(-15, 15), size, window, rng)
    turn = rotation_matrix(rng.normal(size=3), off_deg * rng.normal())
    planned = Cup(side, center + off_mm * rng.normal(size=3), turn @ axis, cup.outer_diameter_mm)
    return Scene(carm, cup, planned)


def a_c_arm(center, off, primary, secondary, size, window, rng):
    carm = from_positioner(
        center + off,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=rng.uniform(620, 720),
        pixel_pitch_mm=(300 / size, 300 / size),
        size=(size, size),
    )
    if window is None:
        return carm
    first = np.rint(carm.project(center) - window / 2).astype(int)
    return carm.cropped((int(first[0]), int(first[1])), (window, window))


def ellipsoid_chords(carm, center, semi_axes, rotation=None):
    """Length of each ray inside an ellipsoid, closed form, shape (rows, columns)."""
    columns, rows = carm.size
    across, down = np.meshgrid(np.arange(columns), np.arange(rows))
    rays = carm.ray(np.column_stack([across.ravel(), down.ravel()]))
    into = (np.eye(3) if rotation is None else rotation.T) / np.asarray(semi_axes, dtype=float)[:, None]
    way, start = rays @ into.T, into @ (carm.source_lps_mm - np.asarray(center, dtype=float))
    a, b, c = (way**2).sum(axis=1), way @ start, float(start @ start) - 1.0
    return (2.0 * np.sqrt(np.maximum(b * b - a * c, 0.0)) / a).reshape(rows, columns)


def background(carm, side, seed, center):
    """Soft tissue and crude hip bones and a femur, about the hip's centre; a new one for each seed."""
    rng = np.random.default_rng(seed)
    sign = side.lateral_sign
    picture = WATER * ellipsoid_chords(carm, (0, 20, 0), (185, 105, 320))
    center = np.asarray(center)
    parts = [
        ((sign * -8, 10, 55), (28, 12, 60), 25.0),
        ((sign * -18, -5, -10), (22, 18, 26), 0.0),
        ((sign * -35, -30, -25), (40, 9, 10), -20.0),
        ((sign * -10, 25, -50), (14, 13, 35), 10.0),
        ((sign * 45, 5, -60), (16, 15, 75), 5.0),
        ((sign * 25, 0, -10), (20, 14, 14), 45.0),
    ]
    for offset, axes, turn in parts:
        turned = rotation_matrix((0, 1, 0), sign * (turn + rng.normal(0, 8)))
        turned = turned @ rotation_matrix(rng.normal(size=3), rng.normal(0, 10))
        place = center + offset + rng.normal(0, 3, 3)
        outer = np.asarray(axes) * rng.uniform(0.9, 1.1, 3)
        picture += CORTICAL * ellipsoid_chords(carm, place, outer, turned)
        picture -= (CORTICAL - TRABECULAR) * ellipsoid_chords(carm, place, outer - rng.uniform(1, 3), turned)
    return picture


def shell_by_voxels(carm, cup, thickness, voxel=0.6, finer=3):
    """Line integrals of a titanium shell: points asked whether they are inside, voxels averaged, projected as a CT."""
    half = cup.radius_mm + 2.0
    count = int(2 * half / voxel) + 1
    origin = cup.center_lps_mm - half
    steps = (np.arange(count * finer) + 0.5) / finer - 0.5
    x = origin[0] + voxel * steps - cup.center_lps_mm[0]
    y = origin[1] + voxel * steps - cup.center_lps_mm[1]
    filled = np.zeros((count, count, count), dtype=np.float32)
    for k in range(count):
        for part in range(finer):
            z = origin[2] + voxel * steps[k * finer + part] - cup.center_lps_mm[2]
            radius2 = x[None, :] ** 2 + y[:, None] ** 2 + z**2
            height = cup.opening_axis_lps @ np.array([0, 0, z]) + (
                cup.opening_axis_lps[0] * x[None, :] + cup.opening_axis_lps[1] * y[:, None]
            )
            inside = (radius2 <= cup.radius_mm**2) & (radius2 >= (cup.radius_mm - thickness) ** 2) & (height <= 0)
            filled[k] += inside.reshape(count, finer, count, finer).mean(axis=(1, 3)) / finer
    curve = attenuation_curve()
    table = curve.table
    hu = np.interp(filled * TITANIUM_60_KEV, table[32768 - 1000 :], np.arange(-1000, 32768))
    affine = np.diag([voxel, voxel, voxel, 1.0])
    affine[:3, 3] = origin
    return line_integrals(Volume(np.rint(hu).astype(np.int16), affine), carm, curve)


def rod_chords(carm, cup, radius=7.0, length=200.0):
    """An impactor's rod along the axis out of the mouth: a row of thin discs would do, a long ellipsoid does too."""
    axis = cup.opening_axis_lps
    across = np.cross(axis, (0.0, 1.0, 0.0))
    across /= np.linalg.norm(across)
    rotation = np.column_stack([across, np.cross(axis, across), axis])
    return ellipsoid_chords(carm, cup.center_lps_mm + axis * length / 2, (radius, radius, length / 2), rotation)


def picture_of(scene, seed=0, thickness=4.0, photons=3000.0, extra=None, voxels=False, display=None):
    carm, cup = scene.carm, scene.cup
    integrals = background(carm, cup.side, seed, cup.center_lps_mm)
    if voxels:
        integrals += shell_by_voxels(carm, cup, thickness)
    else:
        integrals += TITANIUM_60_KEV * shell_chords_mm(carm, cup.rim, thickness)
    if extra is not None:
        integrals += extra
    values = integrals if photons is None else with_noise(integrals, photons, seed)
    if display is not None:
        values = display(values)
    return Radiograph(values.astype(np.float32), np.ones(values.shape, dtype=bool))
