"""JSON text that is the same, byte for byte, for the same values: sorted keys, fixed decimals, finite numbers only."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

from cotyle.errors import InputError
from cotyle.files import each_name_once

DECIMALS = 9
"""Decimals kept of every number; a nanometre, or 1e-9 deg: far below any measurement and any test's tolerance."""

MOST_BYTES = 64 * 1024 * 1024
"""Longest JSON file that is read."""


def to_json(value: Any) -> str:
    """Return indented JSON text that ends with a line break.

    Raises
    ------
    ValueError
        If a number is not finite: files never hold NaN.
    """
    return json.dumps(plain(value), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """Return nested dicts, lists, text and rounded numbers of mappings, sequences, enums and NumPy values."""
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        if not math.isfinite(value):
            raise ValueError("a number that is not finite cannot be stored")
        return round(float(value), DECIMALS) + 0.0  # adding zero makes -0.0 plain 0.0
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def read_json(path: Path) -> Any:
    """Return the parsed content of a JSON file.

    Raises
    ------
    InputError
        ``file-missing``, ``file-too-large`` or ``json-unreadable``, also for NaN and infinity, and for a name that
        stands twice in one object.
    """
    if not path.is_file():
        raise InputError("file-missing", f"there is no file {path.name}", "Check the path")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError("file-too-large", f"{path.name} is larger than any file of this kind")
        text = path.read_text(encoding="utf-8-sig")
        return json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=each_name_once)
    except (ValueError, OSError, RecursionError) as error:
        reason = str(error) or type(error).__name__
        if isinstance(error, json.JSONDecodeError):
            reason = f"line {error.lineno}"
        raise InputError("json-unreadable", f"{path.name} is not valid JSON ({reason})", "Repair the file") from error


def _refuse_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number")
