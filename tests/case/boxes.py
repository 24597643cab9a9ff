"""A kind of file of the tests alone, in its third version: it shows what migration does; no such file ever existed."""

from __future__ import annotations

from typing import Any, Literal

from cotyle.case.schema import FileModel, Finite
from pydantic import Field

SCHEMA = "cotyle-test/box"


class Box(FileModel):
    """Version 1 held ``width`` in cm; version 2 ``width_mm``; version 3 ``size_mm`` and ``filled``."""

    schema_name: Literal["cotyle-test/box"] = Field(default=SCHEMA, alias="schema")
    version: Literal[3] = 3
    size_mm: tuple[Finite, Finite]
    filled: bool | None
    note: str = ""


class Crate(FileModel):
    """A file that holds another file."""

    schema_name: Literal["cotyle-test/crate"] = Field(default="cotyle-test/crate", alias="schema")
    version: Literal[1] = 1
    box: Box


def in_millimetres(content: dict[str, Any]) -> dict[str, Any]:
    return {**{key: value for key, value in content.items() if key != "width"}, "width_mm": 10.0 * content["width"]}


def with_both_sides(content: dict[str, Any]) -> dict[str, Any]:
    width = content["width_mm"]
    kept = {key: value for key, value in content.items() if key != "width_mm"}
    return {**kept, "size_mm": [width, width], "filled": None}  # what the old file doesn't say is not made up


STEPS = {SCHEMA: (in_millimetres, with_both_sides)}

OLD = [
    {"schema": SCHEMA, "version": 1, "width": 1.2},
    {"schema": SCHEMA, "version": 2, "width_mm": 12.0, "note": "x"},
    {"schema": SCHEMA, "version": 3, "size_mm": [12.0, 12.0], "filled": None},
    {"schema": "cotyle-test/crate", "version": 1, "box": {"schema": SCHEMA, "version": 1, "width": 1.2}},
]
