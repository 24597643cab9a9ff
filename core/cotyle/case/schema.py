"""What all files of a case have in common: a schema name, an integer version, no unknown fields, finite numbers."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Annotated, Any, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from cotyle.case.json_text import plain, read_json, to_json
from cotyle.errors import InputError
from cotyle.files import write_text_atomically

Finite = Annotated[float, Field(allow_inf_nan=False)]
Vector = tuple[Finite, Finite, Finite]
"""Three finite numbers; in LPS order where the field's name ends in ``lps`` or ``lps_mm``."""

ModelT = TypeVar("ModelT", bound=BaseModel)


class Strict(BaseModel):
    """A part of a file: frozen, without unknown fields, without numbers written as text or NaN."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class FileModel(Strict):
    """A whole file, which names its schema and version."""

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
        return validated(cls, read_json(path), path.name)


def validated(model: type[ModelT], content: Any, name: str, remedy: str = "Repair the file") -> ModelT:
    """Return the content as a model.

    Raises
    ------
    InputError
        ``schema-mismatch`` for another schema or version, ``field-invalid`` naming the first field that is wrong.
    """
    if isinstance(content, dict) and "schema" in _properties(model):
        _check_schema(model, content, name)
    try:
        return model.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"]) or "the whole"
        count = error.error_count()
        more = f" (and {count - 1} more)" if count > 1 else ""
        raise InputError(
            "field-invalid", f"{name}: {place}: {_in_words(first['type'], first['msg'])}{more}", remedy
        ) from error


def _in_words(kind: str, message: str) -> str:
    known = {"extra_forbidden": "there is no such field", "missing": "this field is missing"}
    return known.get(kind, message.removeprefix("Value error, "))


@cache
def _properties(model: type[BaseModel]) -> dict[str, Any]:
    """Return what a model's schema says of its fields; making a schema takes longer than reading a plan."""
    return dict(model.model_json_schema().get("properties", {}))


def _check_schema(model: type[BaseModel], content: dict[str, Any], name: str) -> None:
    properties = _properties(model)
    for key, word in (("schema", "schema"), ("version", "version")):
        wanted = properties[key].get("const")
        if content.get(key) != wanted or isinstance(content.get(key), bool):
            raise InputError(
                "schema-mismatch",
                f"{name} has the {word} {content.get(key)!r}, expected {wanted!r}",
                "Write it again with this version" if key == "version" else "Give the right kind of file",
            )
