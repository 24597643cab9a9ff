"""One row of a cohort's table: what became of a case, and its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Any, Literal

from pydantic import Field

from cotyle.case.measurements import Measurements
from cotyle.case.schema import FileModel, Finite

Cell = Finite | str | bool | None


class Outcome(StrEnum):
    """What became of a case: planned, refused (its input cannot be used), or failed (our fault, or killed)."""

    PLANNED = "planned"
    REFUSED = "refused"
    FAILED = "failed"


class Row(FileModel):
    """rows/<name>.json: kept so that a cohort that was stopped goes on where it was.

    ``digest``: of what was asked for; ``code`` and ``text``: why there are no numbers. ``numbers`` by the fields of
    measurements.json, joined by points.
    """

    schema_name: Literal["cotyle/cohort-row"] = Field(default="cotyle/cohort-row", alias="schema")
    version: Literal[1] = 1
    name: str
    digest: str
    software: str
    outcome: Outcome
    code: str = ""
    text: str = ""
    numbers: dict[str, Cell] = Field(default_factory=dict)

    def cells(self) -> dict[str, Cell]:
        """Return the row as it stands in the table."""
        head: dict[str, Cell] = {"name": self.name, "outcome": str(self.outcome), "code": self.code, "text": self.text}
        return head | self.numbers


_PARTS = (
    "side",
    "synthetic",
    "ct",
    "pelvis",
    "native",
    "cup",
    "orientation",
    "orientation_uncertainty_deg",
    "wall",
    "coverage",
    "center_shift",
    "reaming",
    "reaming_advice",
    "press_fit",
    "cues",
    "bone_quality",
)
_LEFT_OUT = ("native.ways",)


def numbers_of(measured: Measurements) -> dict[str, Cell]:
    """Return the figures of a case as cells; lists of numbers get an index, warnings and findings are joined codes."""
    content = measured.as_dict()
    cells: dict[str, Cell] = {"verdict": str(measured.verdict.grade)}
    for part in _PARTS:
        if part in content:
            cells |= dict(_flat(content[part], part))
    cells["warnings"] = " ".join(sorted({each.code for each in measured.warnings}))
    cells["findings"] = " ".join(sorted({each.code for each in measured.findings}))
    return cells


def _flat(value: Any, name: str) -> Iterator[tuple[str, Cell]]:
    if name in _LEFT_OUT:
        return
    if isinstance(value, Mapping):
        for key, each in value.items():
            yield from _flat(each, f"{name}.{key}")
    elif isinstance(value, list):
        for number, each in enumerate(value):
            yield from _flat(each, f"{name}.{number}")
    else:
        yield name, float(value) if isinstance(value, int) and not isinstance(value, bool) else value
