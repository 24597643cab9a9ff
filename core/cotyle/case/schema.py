"""What all files of a case have in common: a schema name, an integer version, no unknown fields, finite numbers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from cotyle.case.json_text import plain, read_json, to_json
from cotyle.case.migration import migrated
from cotyle.errors import InputError
from cotyle.files import write_text_atomically

Finite = Annotated[float, Field(allow_inf_nan=False)]
Vector = tuple[Finite, Finite, Finite]
"""Three finite numbers; in LPS order where the field's name ends in ``lps`` or ``lps_mm``."""

ModelT = TypeVar("ModelT", bound=BaseModel)


class Strict(BaseModel):
    """A part of a file: frozen, without unknown fields or NaN; read by :func:`validated`, no number written as text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class FileModel(Strict):
    """A whole file, which names its schema and version.

    Each kind has the fields ``schema_name`` (alias ``schema``) and ``version``, whose defaults are its name and the
    version that is written; older ones are read, see :mod:`cotyle.case.migration`.
    """

    may_leave_out_version: ClassVar[bool] = False
    """Whether ``schema`` and ``version`` need not stand in a file that a user writes by hand."""
    remedy: ClassVar[str] = "Repair the file"
    """What to do about a file that is not whole."""

    def to_json(self) -> str:
        """Return the file's text; the same values give the same bytes."""
        return to_json(self.as_dict())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values as they stand in the file."""
        content = plain(self.model_dump(by_alias=True))
        assert isinstance(content, dict)
        return content

    def write(self, path: Path) -> None:
        """Write the file whole or not at all."""
        write_text_atomically(path, self.to_json())

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read and check a file; errors as in :func:`validated` and :func:`~cotyle.case.json_text.read_json`."""
        return validated(cls, read_json(path), path.name, cls.remedy)


def validated(model: type[ModelT], content: Any, name: str, remedy: str = "Repair the file") -> ModelT:
    """Return the content as a model; a file of an older version is brought to the present one first.

    Raises
    ------
    InputError
        ``schema-mismatch`` for another schema, ``schema-newer`` for a version that isn't known yet, ``field-invalid``
        naming the first field that is wrong.
    """
    try:
        if isinstance(content, dict) and issubclass(model, FileModel):
            content = _present(model, content, name)
        # strict as JSON: a list is a tuple and a word an Enum there, but text is no number and a number no truth
        return model.model_validate_json(json.dumps(content), strict=True)
    except RecursionError as error:
        raise InputError("field-invalid", f"{name} is nested too deeply", remedy) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"]) or "the whole"
        count = error.error_count()
        more = f" (and {count - 1} more)" if count > 1 else ""
        raise InputError(
            "field-invalid",
            f"{name}: {place}: {_in_words(first['type'], first['msg'])}{more}",
            f"{remedy}, or use the cotyle that wrote it" if first["type"] == "extra_forbidden" else remedy,
        ) from error


def _in_words(kind: str, message: str) -> str:
    known = {"extra_forbidden": "there is no such field", "missing": "this field is missing"}
    return known.get(kind, message.removeprefix("Value error, "))


def _present(model: type[FileModel], content: dict[str, Any], name: str) -> dict[str, Any]:
    """Return the content of a file, and of the files that stand in its fields, in their newest versions."""
    schema, newest = (model.model_fields[field].default for field in ("schema_name", "version"))
    content = migrated(content, schema, newest, name)
    inner = {
        key: _present(field.annotation, content[key], f"{key} in {name}")
        for key, field in model.model_fields.items()
        if isinstance(field.annotation, type)
        and issubclass(field.annotation, FileModel)
        and isinstance(content.get(key), dict)
    }
    return {**content, **inner}
