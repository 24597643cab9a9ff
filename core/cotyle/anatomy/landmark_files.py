"""Landmarks from and to files.

Read, told apart by content:

- this project's JSON: ``{"asis_left": {"lps_mm": [x, y, z], "uncertainty_mm": 1.0}, ...}``, LPS mm;
- open markups JSON (``markups`` array, each with ``coordinateSystem`` and ``controlPoints`` of ``label`` and
  ``position``); its coordinate system is never guessed;
- CSV with the columns name, x, y, z and perhaps uncertainty_mm and coordinate_system. LPS unless a comment
  line before the table (``# coordinate system: RAS``) or that column says RAS.

Names are those of :data:`cotyle.anatomy.landmarks.LANDMARK_NAMES`; capitals, spaces and hyphens do not matter.
Each point read counts as given by the user, whatever the file says of its origin.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, RootModel

from cotyle.anatomy.landmarks import (
    FILE_DECIMALS,
    GIVEN_UNCERTAINTY_MM,
    Landmark,
    Landmarks,
    Origin,
    check_name,
    given,
)
from cotyle.errors import InputError
from cotyle.files import each_name_once, write_text_atomically
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

_TO_LPS = {"LPS": np.array([1.0, 1.0, 1.0]), "RAS": np.array([-1.0, -1.0, 1.0])}
_SYSTEM_COMMENT = re.compile(r"coordinate\s*_?system\s*[:=]?\s*([A-Za-z]+)", re.IGNORECASE)
_LARGEST_FILE_BYTES = 5_000_000
_FARTHEST_MM = 1e6


class LandmarkRecord(BaseModel):
    """One entry of ``landmarks.json``."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)

    lps_mm: tuple[float, float, float]
    origin: str = "given"
    uncertainty_mm: float | None = None
    found_lps_mm: tuple[float, float, float] | None = None
    """Where the program found it: whoever corrects a point changes ``lps_mm`` alone, and the difference shows it."""


class LandmarkFile(RootModel[dict[str, LandmarkRecord]]):
    """The whole of ``landmarks.json``: name to place, origin and uncertainty."""


def landmark_record(landmark: Landmark) -> LandmarkRecord:
    """Return a landmark as it stands in files, rounded to a micrometre."""
    x, y, z = (round(float(value), FILE_DECIMALS) for value in landmark.lps_mm)
    return LandmarkRecord(
        lps_mm=(x, y, z),
        origin=landmark.origin.value,
        uncertainty_mm=round(landmark.uncertainty_mm, FILE_DECIMALS),
        found_lps_mm=None if landmark.origin is Origin.GIVEN else (x, y, z),
    )


def write_landmarks(landmarks: Landmarks, path: str | Path) -> None:
    """Write ``landmarks.json``, whole or not at all."""
    content = LandmarkFile({name: landmark_record(landmark) for name, landmark in landmarks.items()})
    write_text_atomically(path, content.model_dump_json(indent=2, exclude_none=True) + "\n")


def read_landmarks(path: str | Path, image: Volume | None = None) -> dict[str, Landmark]:
    """Read the user's landmarks from a file of any of the three kinds.

    Parameters
    ----------
    path:
        The file.
    image:
        If given, each point must lie in it.

    Raises
    ------
    InputError
        ``file-missing``, ``landmark-file`` (not readable as any of the kinds, or empty), ``landmark-unknown``,
        ``landmark-duplicate``, ``landmark-not-finite``, ``landmark-coordinates`` (no, an unknown or two
        different coordinate systems), ``landmark-outside``.
    """
    file = Path(path)
    text = _text_of(file)
    read = _from_json if text.lstrip().startswith(("{", "[")) else _from_csv
    found = read(text, file.name)
    landmarks: dict[str, Landmark] = {}
    for landmark in found:
        if landmark.name in landmarks:
            raise InputError("landmark-duplicate", f"{file.name} names {landmark.name} twice", "Keep one of them")
        landmarks[landmark.name] = landmark
    if not landmarks:
        raise InputError("landmark-file", f"{file.name} holds no landmark")
    if image is not None:
        check_inside(landmarks, image)
    return landmarks


def check_inside(landmarks: Landmarks, image: Volume) -> None:
    """Raise InputError ``landmark-outside`` if a landmark lies outside the image."""
    for name, landmark in landmarks.items():
        if not image.contains(landmark.lps_mm[None])[0]:
            place = ", ".join(f"{value:.1f}" for value in landmark.lps_mm)
            raise InputError(
                "landmark-outside",
                f"landmark {name} at LPS {place} mm lies outside the image",
                "Check that the file belongs to this scan and names its coordinate system rightly",
            )


def _text_of(file: Path) -> str:
    if not file.is_file():
        raise InputError("file-missing", f"there is no file {file.name}")
    try:
        if file.stat().st_size > _LARGEST_FILE_BYTES:
            raise InputError("landmark-file", f"{file.name} is too large for a list of landmarks")
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("landmark-file", f"{file.name} cannot be read as text") from error


def _from_json(text: str, file_name: str) -> list[Landmark]:
    try:
        content = json.loads(text, object_pairs_hook=each_name_once)
    except (ValueError, RecursionError) as error:
        twice = ", or names something twice" if not isinstance(error, json.JSONDecodeError) else ""
        raise InputError("landmark-file", f"{file_name} is not valid JSON{twice}") from error
    if isinstance(content, dict) and "markups" in content:
        return _from_markups(content["markups"], file_name)
    if not isinstance(content, dict):
        raise InputError("landmark-file", f"{file_name} is not a table of landmark names")
    landmarks = []
    for label, entry in content.items():
        name = _name_of(label)
        if not isinstance(entry, dict) or "lps_mm" not in entry:
            raise InputError("landmark-file", f"{label} in {file_name} has no lps_mm", 'Write {"lps_mm": [x, y, z]}')
        landmarks.append(_given(name, entry["lps_mm"], "LPS", entry.get("uncertainty_mm")))
    return landmarks


def _from_markups(markups: Any, file_name: str) -> list[Landmark]:
    if not isinstance(markups, list):
        raise InputError("landmark-file", f"markups in {file_name} is not a list")
    landmarks = []
    for markup in markups:
        if not isinstance(markup, dict):
            raise InputError("landmark-file", f"markups in {file_name} holds something that is not a markup")
        points = markup.get("controlPoints", [])
        if not isinstance(points, list) or not all(isinstance(point, dict) for point in points):
            raise InputError("landmark-file", f"controlPoints in {file_name} is not a list of points")
        if not points:
            continue
        system = _system_of(markup.get("coordinateSystem"), file_name)
        units = markup.get("coordinateUnits", "mm")
        if "mm" not in (units if isinstance(units, list) else [units]):
            raise InputError(
                "landmark-coordinates", f"{file_name} is not in millimetres", "Save it with coordinateUnits mm"
            )
        for point in points:
            if point.get("positionStatus", "defined") != "defined":
                continue
            landmarks.append(_given(_name_of(point.get("label", "")), point.get("position"), system, None))
    return landmarks


def _from_csv(text: str, file_name: str) -> list[Landmark]:
    said = None
    lines = []
    for line in text.splitlines():
        stripped = line.strip()
        if stripped.startswith("#"):
            match = _SYSTEM_COMMENT.search(stripped)
            if match:
                system = _system_of(match.group(1), file_name)
                if said is not None and said != system:
                    raise InputError("landmark-coordinates", f"{file_name} names two coordinate systems", "Keep one")
                said = system
        elif stripped:
            lines.append(stripped)
    if not lines:
        raise InputError("landmark-file", f"{file_name} holds no landmark")
    delimiter = max(",;\t", key=lines[0].count)
    rows = [[field.strip() for field in row] for row in csv.reader(lines, delimiter=delimiter)]
    columns, rows = _columns(rows, file_name)
    return [_from_row(row, columns, said, file_name) for row in rows]


def _columns(rows: list[list[str]], file_name: str) -> tuple[dict[str, int], list[list[str]]]:
    """Column numbers by name, and the rows that hold points."""
    first = [field.lower() for field in rows[0]]
    if {"name", "x", "y", "z"} <= set(first):
        return {name: first.index(name) for name in dict.fromkeys(first)}, rows[1:]
    if len(first) >= 4 and all(_is_number(field) for field in first[1:4]):
        return {"name": 0, "x": 1, "y": 2, "z": 3}, rows
    raise InputError("landmark-file", f"{file_name} has no columns name, x, y, z", "Put them in its first line")


def _from_row(row: list[str], columns: Mapping[str, int], said: str | None, file_name: str) -> Landmark:
    def field(column: str) -> str:
        number = columns.get(column, len(row))
        return row[number] if number < len(row) else ""

    system = said
    if field("coordinate_system"):
        system = _system_of(field("coordinate_system"), file_name)
        if said is not None and said != system:
            raise InputError("landmark-coordinates", f"{file_name} names two coordinate systems", "Keep one")
    name = _name_of(field("name"))
    uncertainty = field("uncertainty_mm") or None
    return _given(name, [field(axis) for axis in "xyz"], system or "LPS", uncertainty)


def _system_of(value: Any, file_name: str) -> str:
    system = str(value).strip().upper() if value is not None else ""
    if system not in _TO_LPS:
        said = f"says {value!r}" if system else "does not say"
        raise InputError(
            "landmark-coordinates", f"{file_name} {said} which coordinate system it uses", "It must say LPS or RAS"
        )
    return system


def plain_name(label: Any) -> str:
    """Return a label as landmarks are named: small letters, words joined by underscores."""
    return re.sub(r"[\s\-]+", "_", str(label).strip().lower())


def _name_of(label: Any) -> str:
    name = plain_name(label)
    check_name(name)
    return name


def _given(name: str, position: Any, system: str, uncertainty: Any) -> Landmark:
    point = _numbers(name, position)
    deviation = GIVEN_UNCERTAINTY_MM if uncertainty is None else float(_numbers(name, [uncertainty] * 3)[0])
    return given(name, point * _TO_LPS[system], deviation)


def _numbers(name: str, values: Any) -> Array:
    if not isinstance(values, list | tuple) or len(values) != 3 or any(isinstance(value, bool) for value in values):
        raise InputError("landmark-file", f"landmark {name} needs three numbers")
    try:
        numbers = [float(value) for value in values]
    except (TypeError, ValueError) as error:
        raise InputError("landmark-not-finite", f"landmark {name} holds something that is not a number") from error
    if not all(abs(number) < _FARTHEST_MM for number in numbers):  # not NaN either
        raise InputError("landmark-not-finite", f"landmark {name} holds a value that is no finite length")
    return np.array(numbers)


def _is_number(field: str) -> bool:
    try:
        float(field)
    except ValueError:
        return False
    return True


def landmarks_from_records(records: Mapping[str, LandmarkRecord] | Iterable[tuple[str, LandmarkRecord]]) -> Landmarks:
    """Return landmarks as a case's own file holds them: origin and uncertainty stay."""
    return {
        name: Landmark(
            name,
            np.array(record.lps_mm),
            Origin(record.origin),
            GIVEN_UNCERTAINTY_MM if record.uncertainty_mm is None else record.uncertainty_mm,
        )
        for name, record in dict(records).items()
    }
