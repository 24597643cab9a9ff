"""Whether two runs of the same commands wrote the same, file by file."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK as sitk
from PIL import Image

THREADS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS")


@dataclass(frozen=True)
class Difference:
    """How far two files of a name are apart: nothing where their bytes are the same.

    ``largest``: of numbers in JSON (mm, deg, as the field says), of values in arrays, of grey from 0 to 255; None where
    only bytes can be compared, or the files differ in more than numbers.
    """

    name: str
    same_bytes: bool
    largest: float | None = 0.0


def run_with_threads(arguments: Sequence[str | Path], threads: int) -> dict[str, Any]:
    """Run a command in a process of its own with so many threads; return what it printed as JSON, without timings."""
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
        **dict.fromkeys(THREADS, str(threads)),
    }
    command = [sys.executable, "-m", "cotyle.cli.main", *(str(each) for each in arguments), "--json"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    printed = json.loads(done.stdout)
    printed.pop("timings_s", None)
    return dict(printed)


def differences(first: Path, second: Path) -> list[Difference]:
    """Return how each file of two folders differs; a file that only one has is apart in more than numbers."""
    names = sorted({path.relative_to(base) for base in (first, second) for path in base.rglob("*") if path.is_file()})
    return [_difference(name.as_posix(), first / name, second / name) for name in names]


def _difference(name: str, first: Path, second: Path) -> Difference:
    if not first.is_file() or not second.is_file():
        return Difference(name, False, None)
    if first.read_bytes() == second.read_bytes():
        return Difference(name, True)
    one, other = _values(first), _values(second)
    if one is None or other is None or one.keys() != other.keys():
        return Difference(name, False, None)
    apart = [_apart(one[key], other[key]) for key in one]
    return Difference(name, False, None if None in apart else max(each or 0.0 for each in apart))


def _values(path: Path) -> dict[str, Any] | None:
    if path.suffix == ".json":
        return _leaves(json.loads(path.read_text(encoding="utf-8")))
    if path.suffix == ".npz":
        with np.load(path) as arrays:
            tree = _leaves(json.loads(arrays["tree"].tobytes()))
            return {**tree, **{f"array {name}": arrays[name] for name in arrays.files if name != "tree"}}
    if path.suffix == ".nrrd":
        image = sitk.ReadImage(str(path))
        return {"grid": (image.GetOrigin(), image.GetSpacing()), "voxels": sitk.GetArrayFromImage(image)}
    if path.suffix == ".png":
        return {"grey": np.asarray(Image.open(path).convert("RGB"))}
    return None


def _leaves(content: Any, place: str = "") -> dict[str, Any]:
    inner = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    found = {key: value for name, each in inner for key, value in _leaves(each, f"{place}/{name}").items()}
    return found or {place: content}


def _apart(one: Any, other: Any) -> float | None:
    if isinstance(one, np.ndarray):
        if one.shape != other.shape:
            return None
        if one.dtype.kind not in "fiub":
            return 0.0 if np.array_equal(one, other) else None
        return float(np.abs(one.astype(float) - other.astype(float)).max(initial=0.0))
    if isinstance(one, int | float) and isinstance(other, int | float):
        return abs(one - other)
    return 0.0 if one == other else None
