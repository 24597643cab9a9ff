"""The section on the files' schemas: an outside validator and the program asked the same questions."""

from __future__ import annotations

import copy
import json
import random
from pathlib import Path
from typing import Any

from cotyle.case.json_text import read_json
from cotyle.case.schema import validated
from cotyle.case.schema_files import file_kinds, schema_text
from cotyle.errors import InputError
from jsonschema import Draft202012Validator

ROOT = Path(__file__).resolve().parents[2]
PUBLISHED, GOLDEN = ROOT / "docs" / "schema", ROOT / "tests" / "case" / "golden"
TRIALS = 400
ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    2.5,
    1e-300,
    "x",
    "1",
    [],
    {},
    [1, 2],
    [1.5, 2.5, 3.5],
    {"a": 1},
    "left",
    -90,
)
TIED = "the last reamer must be larger"
"""A rule between two fields, which no schema of ours states."""

INTRODUCTION = """## Files

Each kind of JSON file has a JSON Schema (draft 2020-12) under [schema](schema/README.md), made from the models that
read it. A validator that is not ours ({validator}) and the program were asked of the same files: of those that the
software wrote, and of {trials} copies of each with one value exchanged, put in or taken out. *Agree* means that both
take it or both refuse it. Kept files of each version ({golden} files) are read with every value that they hold, or,
where a result is missing, refused with what to do.
"""


def schema_section() -> tuple[str, bool]:
    """Return the section and whether schemas are up to date and both sides agree."""
    from importlib.metadata import version

    rows = [
        "| kind of file | published | kept files | valid | altered copies | agree |",
        "|---|---|---:|---:|---:|---:|",
    ]
    good, kept = True, 0
    for kind, model in file_kinds().items():
        path = PUBLISHED / f"{kind}.json"
        fresh = path.is_file() and path.read_text(encoding="utf-8") == schema_text(kind)
        validator = Draft202012Validator(json.loads(schema_text(kind)))
        files = sorted(GOLDEN.glob(f"{kind}.json"))
        first = sorted(GOLDEN.glob(f"{kind}-first.json"))
        valid = sum(validator.is_valid(read_json(file)) for file in files)
        agreed = sum(_agreed(validator, model, read_json(file)) for file in files)
        asked = TRIALS * len(files)
        kept += len(files) + len(first)
        good = good and fresh and valid == len(files) and agreed == asked
        state = "yes" if fresh else "**out of date**"
        rows.append(f"| {kind} | {state} | {len(files) + len(first)} | {valid} | {asked} | {agreed} |")
    head = INTRODUCTION.format(validator=f"jsonschema {version('jsonschema')}", trials=TRIALS, golden=kept)
    return f"{head}\n" + "\n".join(rows) + "\n", good


def _agreed(validator: Draft202012Validator, model: Any, good: Any) -> int:
    rng, places = random.Random(20261126), list(_places(good))
    return sum(_agree(validator, model, _altered(good, rng, places)) for _ in range(TRIALS))


def _agree(validator: Draft202012Validator, model: Any, content: Any) -> bool:
    try:
        validated(model, _named(model, content), "file.json")
    except InputError as error:
        return not validator.is_valid(content) or TIED in str(error)
    return validator.is_valid(content)


def _named(model: Any, content: Any) -> Any:
    """Name schema and version as the program does for a file that may leave them out."""
    if not getattr(model, "may_leave_out_version", False) or not isinstance(content, dict):
        return content
    schema, version = (model.model_fields[field].default for field in ("schema_name", "version"))
    return {"schema": schema, "version": version, **content}


def _altered(good: Any, rng: random.Random, places: list[tuple[Any, ...]]) -> Any:
    content = copy.deepcopy(good)
    inner, where = content, rng.choice(places)
    for key in where[:-1]:
        inner = inner[key]
    what = rng.choice(("exchange", "remove", "add"))
    if what == "remove":
        del inner[where[-1]]
    elif what == "add" and isinstance(inner, dict):
        inner["surprise"] = rng.choice(ODD)
    else:
        inner[where[-1]] = rng.choice(ODD)
    return content


def _places(content: Any, path: tuple[Any, ...] = ()) -> Any:
    inner = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, value in inner:
        yield (*path, key)
        yield from _places(value, (*path, key))
