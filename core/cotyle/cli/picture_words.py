"""Real pictures as the command line names them: options as typed, made into pictures in their usual view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

import numpy as np

from cotyle.case.distortion_file import KnownDistortion, read_distortion
from cotyle.case.json_text import read_json
from cotyle.case.picture_reading import Clicked, SeenSphere, read_picture
from cotyle.case.picture_start import PictureOfView
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.patient_mark import require_one_patient
from cotyle.xray.pictures.picture_file import Told
from cotyle.xray.pictures.region import region_of
from cotyle.xray.views import ViewName

T = TypeVar("T")


@dataclass(frozen=True)
class PictureWords:
    """What the user says of the pictures, as typed; lists hold one for all, or one for each picture."""

    views: list[str]
    frames: list[int]
    shown: str | None
    polarity: str | None
    tube: str | None
    pixel_pitch_mm: float | None
    source_detector_mm: float | None
    source_isocenter_mm: float | None
    angles: list[str]
    rims: list[str]
    clicks: list[Path]
    spheres: list[str]
    sphere_diameter_mm: float | None
    sphere_depth_mm: float | None
    grid: Path | None
    region: str | None


def read_pictures(images: Sequence[Path], words: PictureWords) -> tuple[list[PictureOfView], tuple[str, ...]]:
    """Return the pictures in their usual view, and what is doubtful about their belonging together."""
    count = len(images)
    views = [_view(each) for each in _one_each("--view", words.views, count)]
    frames: Sequence[int | None] = _one_each("--picture-frame", words.frames, count) if words.frames else [None] * count
    angles = [_pair(each, "--angles") for each in _one_each("--angles", words.angles, count)] if words.angles else []
    rims = _one_each("--rim", words.rims, count) if words.rims else [""] * count
    clicks = _one_each("--clicks", words.clicks, count) if words.clicks else []
    spheres = _spheres(words, count)
    told = _told(words)
    distortion: KnownDistortion | None = None if words.grid is None else read_distortion(words.grid)
    pictures, marks = [], {}
    for index, path in enumerate(images):
        clicked = Clicked(
            _points(rims[index], "--rim") if rims[index] else None,
            _places(clicks[index]) if clicks else {},
            spheres[index],
        )
        turned = angles[index] if angles else None
        picture = read_picture(path, views[index], told, clicked, frames[index], distortion, turned)
        marks[f"picture {index + 1}"] = picture.radiograph.patient
        pictures.append(picture)
    return pictures, require_one_patient(marks)


def _told(words: PictureWords) -> Told:
    return Told(
        polarity=None if words.polarity is None else Polarity(_one_of("--polarity", words.polarity, Polarity)),
        pixel_pitch_mm=words.pixel_pitch_mm,
        tube=None if words.tube is None else Tube(_one_of("--tube", words.tube, Tube)),
        source_detector_mm=words.source_detector_mm,
        source_isocenter_mm=words.source_isocenter_mm,
        patient_orientation=_shown(words.shown),
        region=None if words.region is None else region_of(words.region, "--region", "--region=120,0,900,900"),
    )


def _spheres(words: PictureWords, count: int) -> list[SeenSphere | None]:
    if not words.spheres:
        if words.sphere_diameter_mm is not None or words.sphere_depth_mm is not None:
            raise InputError(
                "sphere-points", "a sphere's size was given, but no points on its outline", "Give --sphere, too"
            )
        return [None] * count
    if words.sphere_diameter_mm is None:
        raise InputError(
            "sphere-diameter", "a sphere was outlined, but its diameter wasn't given", "Give --sphere-diameter in mm"
        )
    return [
        SeenSphere(_points(each, "--sphere"), words.sphere_diameter_mm, words.sphere_depth_mm)
        for each in _one_each("--sphere", words.spheres, count)
    ]


def _one_each(option: str, given: Sequence[T], count: int) -> list[T]:
    if len(given) == count:
        return list(given)
    if len(given) == 1 and option in ("--view", "--picture-frame"):
        return list(given) * count
    raise InputError("compare-count", f"{option} is given {len(given)} times for {count} pictures", "Give it once each")


def _one_of(option: str, text: str, choices: type[StrEnum]) -> str:
    if text not in set(choices):
        raise InputError("compare-choice", f"{option} can't be {text!r}", f"Choose from {', '.join(choices)}")
    return text


def _view(name: str) -> ViewName:
    if name not in set(ViewName):
        raise InputError("view-name", f"there is no view {name!r}", f"Choose from {', '.join(ViewName)}")
    return ViewName(name)


def _pair(text: str, option: str) -> tuple[float, float]:
    try:
        first, second = (float(part) for part in text.split(","))
        if not np.isfinite([first, second]).all():
            raise ValueError
    except ValueError:
        raise InputError(
            "compare-pair", f"{option} must be two numbers with a comma between, not {text!r}", f"{option}=30,-5"
        ) from None
    return first, second


def _shown(text: str | None) -> tuple[str, str] | None:
    if text is None:
        return None
    parts = text.replace("/", "\\").split("\\")
    if len(parts) != 2 or not all(parts):
        raise InputError(
            "picture-sides",
            f"--shown must name two directions, not {text!r}",
            "L/F: columns to the patient's left, rows to his feet",
        )
    return parts[0], parts[1]


def _points(text: str, option: str) -> Array:
    """Points (n, 2) that were clicked, in the file's pixels."""
    return np.array([_pair(each, option) for each in text.split()]).reshape(-1, 2)


def _places(path: Path) -> dict[str, Array]:
    """Places of the pelvis that were clicked in the file's pixels: a JSON object of name to [column, row]."""
    content = read_json(path)
    try:
        return {str(name): np.array(pixel, dtype=float).reshape(2) for name, pixel in content.items()}
    except (AttributeError, TypeError, ValueError):
        raise InputError(
            "clicks-file", f"{path.name} does not hold places as [column, row] by name", '{"teardrop_left": [412, 300]}'
        ) from None
