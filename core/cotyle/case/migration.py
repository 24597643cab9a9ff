"""Older versions of a case's files, brought to the present one step by step.

The version of a kind of file grows when a field goes, or gets another name, meaning or unit, or must be there where it
did not have to. A field that is added with a default leaves it: files without it are read as before.

A step is a pure function from the content of one version to that of the next: it changes nothing that it is given, and
says nothing that the older file does not. Each version has a file under ``tests/case/golden``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from cotyle import __version__
from cotyle.errors import InputError

Content = dict[str, Any]
Step = Callable[[Content], Content]

STEPS: Mapping[str, tuple[Step, ...]] = {}
"""By schema; the first leads from version 1 to 2. So far every kind of file is in its first version."""

_WHO_WROTE = re.compile(r"cotyle \d[\w.+-]{0,30}", re.ASCII)


def migrated(content: Content, schema: str, newest: int, name: str, steps: tuple[Step, ...] | None = None) -> Content:
    """Return the content of a file in the newest version; ``steps`` stand in for those of :data:`STEPS`.

    Raises
    ------
    InputError
        ``schema-mismatch`` for another kind of file or no version, ``schema-newer`` for a version that is not known
        yet, ``field-invalid`` where an older file is not what its version says.
    """
    if content.get("schema") != schema:
        raise InputError(
            "schema-mismatch",
            f"{name} has the schema {_shown(content.get('schema'))}, expected {schema!r}",
            "Give the right kind of file",
        )
    version = content.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise InputError(
            "schema-mismatch",
            f"{name} has the version {_shown(version)}, which is none",
            f"Versions of {schema} are whole numbers from 1 to {newest}",
        )
    if version > newest:
        raise InputError(
            "schema-newer",
            f"{name} has version {version} of {schema}; this is cotyle {__version__}, which knows up to {newest}",
            f"Use {_software_of(content)} or a newer one",
        )
    for step in (STEPS.get(schema, ()) if steps is None else steps)[version - 1 :]:
        try:
            content = {**step(content), "version": version + 1}
        except (KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
            raise InputError(
                "field-invalid", f"{name} is not what version {version} of {schema} says", "Repair the file"
            ) from error
        version += 1
    return content


def _software_of(content: Content) -> str:
    software = content.get("software")
    known = isinstance(software, str) and _WHO_WROTE.fullmatch(software)
    return f"the {software} that wrote it" if known else "the cotyle that wrote it"


def _shown(value: Any) -> str:
    return repr(value)[:60]
