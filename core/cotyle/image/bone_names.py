"""Which of our bones a name from someone else's label map means."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cotyle.errors import InputError
from cotyle.files import each_name_once
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.limits import MAX_JSON_BYTES

_SIDES = {"left": "left", "l": "left", "right": "right", "r": "right"}
_BONES = {
    "hip": "hip_bone",
    "hip bone": "hip_bone",
    "hipbone": "hip_bone",
    "coxal bone": "hip_bone",
    "os coxae": "hip_bone",
    "innominate": "hip_bone",
    "innominate bone": "hip_bone",
    "hemipelvis": "hip_bone",
    "femur": "femur",
}
_MIDLINE = {"sacrum": "sacrum", "metal": "metal", "implant": "metal"}


def bone_label(name: str) -> int | None:
    """Return our number for a name such as ``Left hip bone``, ``hip_left`` or ``Femur, right``; None for others.

    A paired bone without a side is None: sides are never guessed.
    """
    words = [word for word in re.split(r"[^a-z]+", name.lower()) if word]
    sides = {_SIDES[word] for word in words if word in _SIDES}
    bone = " ".join(word for word in words if word not in _SIDES)
    if bone in _MIDLINE and not sides:
        return LABEL_OF_BONE[_MIDLINE[bone]]
    if bone in _BONES and len(sides) == 1:
        return LABEL_OF_BONE[f"{sides.pop()}_{_BONES[bone]}"]
    return None


def read_name_table(path: str | Path) -> dict[int, str]:
    """Read a JSON object of number to name.

    Raises
    ------
    InputError
        ``label-names``.
    """
    file = Path(path)
    try:
        if file.stat().st_size > MAX_JSON_BYTES:
            raise InputError("label-names", f"the name table {file.name} is larger than any table of names", _EXAMPLE)
        content = json.loads(file.read_text(encoding="utf-8"), object_pairs_hook=each_name_once)
    except (OSError, ValueError, RecursionError) as error:
        raise InputError("label-names", f"the name table {file.name} cannot be read as JSON", _EXAMPLE) from error
    return parse_name_table(content, file.name)


def parse_name_table(content: Any, source: str) -> dict[int, str]:
    """Check an object of number to name; ``source`` is named in the error.

    Raises
    ------
    InputError
        ``label-names``.
    """
    if not isinstance(content, dict) or not content:
        raise InputError("label-names", f"{source} is not a JSON object of number to name", _EXAMPLE)
    try:
        table = {int(number): name for number, name in content.items()}
    except (TypeError, ValueError) as error:
        raise InputError("label-names", f"{source} has a label that is not a whole number", _EXAMPLE) from error
    if len(table) < len(content):
        raise InputError("label-names", f"{source} names a number twice", _EXAMPLE)
    if not all(isinstance(name, str) for name in table.values()):
        raise InputError("label-names", f"{source} has a name that is not a text", _EXAMPLE)
    return table


def bone_table(names: Mapping[int, str], source: str) -> dict[int, int]:
    """Return their number to ours, for all names that mean a bone.

    Raises
    ------
    InputError
        ``label-names`` if none does, or if two numbers mean the same bone.
    """
    table: dict[int, int] = {}
    for number, name in names.items():
        ours = bone_label(name)
        if ours is None or number == 0:
            continue
        if ours in table.values():
            raise InputError("label-names", f"{source} gives the name {name!r} to more than one number", _EXAMPLE)
        table[number] = ours
    if not table:
        raise InputError("label-names", f"{source} names none of the bones of the hip", _EXAMPLE)
    return table


_EXAMPLE = (
    'Write {"1": "left_hip_bone", "2": "right_hip_bone", "3": "sacrum", "4": "left_femur", "5": "right_femur", '
    '"6": "metal"} with your own numbers'
)
