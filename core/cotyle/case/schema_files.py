"""The published JSON Schema (draft 2020-12) of each kind of file, made from the models that read and write them.

python -m cotyle.case.schema_files docs/schema

A schema says what is read. Rules that tie several fields together are not in it: the models alone know those.
"""

from __future__ import annotations

import importlib
import json
import pkgutil
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel

import cotyle.case
from cotyle.anatomy.landmark_files import LandmarkFile
from cotyle.case.schema import FileModel
from cotyle.files import write_text_atomically

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def file_kinds() -> dict[str, type[BaseModel]]:
    """Return the model of each kind of file, by the name of its published schema: ``plan-1``, ``landmarks``."""
    for module in pkgutil.walk_packages(cotyle.case.__path__, "cotyle.case."):
        importlib.import_module(module.name)
    kinds: dict[str, type[BaseModel]] = {"landmarks": LandmarkFile}
    for model in _subclasses(FileModel):
        schema, version = (model.model_fields[field].default for field in ("schema_name", "version"))
        kinds[f"{schema.removeprefix('cotyle/')}-{version}"] = model
    return dict(sorted(kinds.items()))


def json_schema(kind: str) -> dict[str, Any]:
    """Return the schema of a kind of file, by its name in :func:`file_kinds`."""
    model = file_kinds()[kind]
    made = model.model_json_schema(by_alias=True, mode="validation")
    _require_name(made, model)
    parts = made.get("$defs", {})
    for inner in _subclasses(FileModel):
        if inner.__name__ in parts:
            _require_name(parts[inner.__name__], inner)
    return {"$schema": DRAFT, "$id": f"urn:cotyle:schema:{kind}", **made}


def schema_text(kind: str) -> str:
    """Return the text of a published schema."""
    return json.dumps(json_schema(kind), indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def write_schemas(folder: Path) -> None:
    """Write the schema of each kind's newest version; those of older versions stay."""
    for kind in file_kinds():
        write_text_atomically(folder / f"{kind}.json", schema_text(kind))


def _require_name(schema: dict[str, Any], model: type[BaseModel]) -> None:
    """A file must name its kind and version, though its model has them as defaults."""
    if issubclass(model, FileModel) and not model.may_leave_out_version:
        schema["required"] = sorted({*schema.get("required", ()), "schema", "version"})


def _subclasses(kind: type[FileModel]) -> list[type[FileModel]]:
    """Return all kinds of file that the project itself defines; a mere base of several names no schema."""
    found = [each for each in kind.__subclasses__() if each.__module__.startswith("cotyle.")]
    named = [each for each in found if "schema_name" in each.model_fields]
    return [*named, *(deeper for each in found for deeper in _subclasses(each))]


if __name__ == "__main__":
    write_schemas(Path(sys.argv[1]))
