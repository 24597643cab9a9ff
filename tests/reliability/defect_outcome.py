"""What comes of a faulty series, measured against the shape it was made from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cotyle.errors import InputError
from cotyle.image.read import read_volume
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume

from tests.image.dicom_phantom import MARKS, extent_mm, volume_above, write_slices
from tests.reliability.defects import RIGHT, Defect

BALL_ML = 4 / 3 * math.pi * 2.4**3
BALL_MM = 48.0
_DIRECTIONS = np.vstack([np.eye(3), [[0.6, 0.8, 0], [0, 0.6, 0.8], [0.48, -0.6, 0.64]]])


@dataclass(frozen=True)
class Outcome:
    """How a series ended: ``right``, ``wrong`` or the code of the refusal; what was said; the errors measured."""

    end: str
    said: str
    notes: tuple[str, ...] = ()
    volume_percent: float | None = None
    worst_mm: float | None = None


def written(defect: Defect, folder: Path) -> Path:
    """Write the series of a defect."""
    made = defect.make()
    return made(folder) if callable(made) else write_slices(folder, made)


def outcome(defect: Defect, folder: Path, repair: bool) -> Outcome:
    """Read a written series and hold it against the ball."""
    try:
        volume, info = read_volume(folder, series=defect.series, repair=repair)
    except InputError as error:
        return Outcome(error.code, str(error))
    percent = 100 * (volume_above(volume.voxels, volume.voxel_volume_mm3) / BALL_ML - 1)
    lengths = [extent_mm(volume, direction) for direction in _DIRECTIONS]
    worst = max(abs(length - BALL_MM) for length in lengths)
    within = defect.within_mm if repair else 0.1
    right = abs(percent) <= 1 and worst <= within and marks_are_there(volume)
    said = "; ".join(f.text for f in info.findings)
    return Outcome(RIGHT if right else "wrong", said, tuple(f.code for f in info.findings), percent, worst)


def marks_are_there(volume: Volume) -> bool:
    """Whether the marks to the left, the back and the top lie where they were put, with their HU (to 2 %)."""
    places, densities = np.array([place for place, _ in MARKS]), np.array([hu for _, hu in MARKS])
    return bool(np.allclose(sample(volume, places), densities, rtol=0.02))
