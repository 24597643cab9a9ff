"""Frozen dataclasses to and from plain trees, so that results can be kept in a file without pickling code.

A tree holds dicts, lists, text, numbers and NumPy arrays. Reading is led by the class's own annotations; nothing in the
file decides which code runs.
"""

from __future__ import annotations

import collections.abc
import dataclasses
import json
import types
import typing
import zipfile
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

from cotyle.errors import InputError
from cotyle.files import atomic_path

T = typing.TypeVar("T")


def save(value: Any, path: Path) -> None:
    """Write a dataclass to one ``.npz`` file; equal values give equal bytes."""
    arrays: dict[str, np.ndarray[Any, Any]] = {}
    tree = _to_tree(value, arrays)
    arrays["tree"] = np.frombuffer(json.dumps(tree, sort_keys=True).encode(), dtype=np.uint8)
    with atomic_path(path) as temporary, temporary.open("wb") as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]


def load(kind: type[T], path: Path) -> T:
    """Read a dataclass that :func:`save` wrote.

    Raises
    ------
    InputError
        ``file-missing``, or ``case-outdated`` if the file doesn't hold what this version needs.
    """
    if not path.is_file():
        raise InputError("file-missing", f"there is no file {path.name}", "Plan the case again")
    try:
        with zipfile.ZipFile(path) as parts:  # ours are stored as they are; a packed one may grow without bounds
            if sum(part.file_size for part in parts.infolist()) > path.stat().st_size:
                raise ValueError("it holds packed arrays")
        with np.load(path, allow_pickle=False) as arrays:
            tree = json.loads(arrays["tree"].tobytes())
            return typing.cast(T, _from_tree(kind, tree, arrays))
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        OSError,
        EOFError,
        zipfile.BadZipFile,
        RecursionError,
    ) as error:
        raise InputError(
            "case-outdated", f"{path.name} is damaged or from another version", "Plan the case again"
        ) from error


def _to_tree(value: Any, arrays: dict[str, Any]) -> Any:
    if dataclasses.is_dataclass(value):
        return {f.name: _to_tree(getattr(value, f.name), arrays) for f in dataclasses.fields(value) if f.init}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, collections.abc.Mapping):
        return {"items": [[_to_tree(key, arrays), _to_tree(item, arrays)] for key, item in value.items()]}
    if isinstance(value, list | tuple):
        return [_to_tree(item, arrays) for item in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"{type(value).__name__} cannot be kept")


def _from_tree(kind: Any, tree: Any, arrays: Any) -> Any:
    origin, parameters = typing.get_origin(kind), typing.get_args(kind)
    if isinstance(tree, dict) and tree.keys() == {"array"}:
        return arrays[tree["array"]]
    if origin in (typing.Union, types.UnionType):
        return _from_union(parameters, tree, arrays)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        make: Any = kind
        return make(**{name: _from_tree(hints[name], item, arrays) for name, item in tree.items()})
    if origin is not None and issubclass(origin, collections.abc.Mapping):
        return {
            _from_tree(parameters[0], key, arrays): _from_tree(parameters[1], item, arrays)
            for key, item in tree["items"]
        }
    if origin in (tuple, list):
        kinds = [parameters[0]] * len(tree) if origin is list or parameters[-1] is Ellipsis else list(parameters)
        return origin(_from_tree(each, item, arrays) for each, item in zip(kinds, tree, strict=True))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(tree)
    if kind is float:
        return float(tree)
    if kind is Any or kind in (int, str, bool, type(None)):
        return tree
    raise TypeError(f"no rule to read {kind}")


def _from_union(parameters: tuple[Any, ...], tree: Any, arrays: Any) -> Any:
    if tree is None:
        return None
    for kind in parameters:
        if kind is type(None):
            continue
        try:
            return _from_tree(kind, tree, arrays)
        except (TypeError, ValueError, KeyError, AttributeError):
            continue
    raise TypeError("no member of the union fits")
