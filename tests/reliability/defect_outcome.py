"""What comes of a faulty series, measured against the shape it was made from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cotyle.errors import InputError
from cotyle.image.made_up import MadeUp
from cotyle.image.read import read_volume
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume

from tests.image.dicom_phantom import MARKS, extent_mm, volume_above, write_slices
from tests.reliability.defect import RIGHT, Defect

BALL_ML = 4 / 3 * math.pi * 2.4**3
BALL_MM = 48.0
RIGHT_MM = 0.1
_DIRECTIONS = np.vstack([np.eye(3), [[0.6, 0.8, 0], [0, 0.6, 0.8], [0.48, -0.6, 0.64]]])
_NORMAL_95 = 1.96


@dataclass(frozen=True)
class Outcome:
    """How a series ended: ``right``, ``wrong`` or the code of the refusal; what was said; the errors measured.

    ``worst_mm`` is of the lengths that end on real slices; ``guess_mm`` of those that end in slices which a repair made
    up and says so, ``guess_said_mm`` how far off the worst of them was said to be (1.96 deviations) beyond any other.
    """

    end: str
    said: str
    notes: tuple[str, ...] = ()
    volume_percent: float | None = None
    worst_mm: float | None = None
    guess_mm: float | None = None
    guess_said_mm: float | None = None


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
    errors = np.array([abs(extent_mm(volume, direction) - BALL_MM) for direction in _DIRECTIONS])
    said = np.array([said_mm(direction, info.made_up) for direction in _DIRECTIONS])
    guesses = said > 0
    worst = None if guesses.all() else float(errors[~guesses].max())
    within = bool((errors <= np.hypot(RIGHT_MM, said)).all())
    right = abs(percent) <= 1 and within and marks_are_there(volume)
    words = "; ".join(f.text for f in info.findings)
    codes = tuple(f.code for f in info.findings)
    row = int(np.argmax(np.where(guesses, errors, -1.0)))
    guess = (float(errors[row]), float(said[row])) if guesses.any() else (None, None)
    return Outcome(RIGHT if right else "wrong", words, codes, percent, worst, *guess)


def said_mm(direction: np.ndarray, made_up: Sequence[MadeUp]) -> float:
    """Return how far off a diameter of the ball is said to be: 0 if it ends on real slices at both ends."""
    ends = BALL_MM / 2 * np.vstack([direction, -direction])
    normal = direction[None] / np.linalg.norm(direction)
    variance = sum(float(m.sd_mm(normal)[0]) ** 2 * np.count_nonzero(m.holds(ends)) for m in made_up)
    return _NORMAL_95 * math.sqrt(variance)


def marks_are_there(volume: Volume) -> bool:
    """Whether the marks to the left, the back and the top lie where they were put, with their HU (to 2 %)."""
    places, densities = np.array([place for place, _ in MARKS]), np.array([hu for _, hu in MARKS])
    return bool(np.allclose(sample(volume, places), densities, rtol=0.02))
