"""Paths that the user typed: a folder may be called after a patient, so their names stay out of printed documents.

On the terminal an error names the last part of such a path, where the user has just typed it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

Typed = Mapping[str, str]
"""What was typed, each with what it is called instead: its option, or the argument's name in the help."""


def typed_paths(arguments: list[str]) -> Typed:
    """Return the paths among the arguments of a command line; all words of one that cannot be understood."""
    try:
        return dict(_understood(arguments))
    except Exception:  # the parser's own complaint was told already
        return {word: "(as typed)" for word in arguments if not word.startswith("-")}


def _understood(arguments: list[str]) -> Iterable[tuple[str, str]]:
    import typer

    from cotyle.cli.main import app

    group: Any = typer.main.get_command(app)
    at = next(n for n, word in enumerate(arguments) if word in group.commands)
    command = group.commands[arguments[at]]
    context = command.make_context(arguments[at], arguments[at + 1 :], resilient_parsing=True)
    for parameter in command.params:
        value = context.params.get(parameter.name)
        called = parameter.opts[0] if parameter.opts[0].startswith("-") else parameter.metavar or parameter.name.upper()
        for each in value if isinstance(value, list | tuple) else [value]:
            if isinstance(each, Path):
                yield str(each), called


def without_typed(text: str, typed: Typed) -> str:
    """Return a text with typed paths, and the last part of each, called by their option or argument."""
    called: dict[str, str] = {}
    for path, name in typed.items():
        for form in (path, str(Path(path).absolute()), str(Path(path).resolve()), Path(path).name):
            called.setdefault(form, name)
    forms = sorted((form for form in called if form.strip("./")), key=len, reverse=True)
    if not forms:
        return text
    # what lies below a typed folder may be called after a patient as well
    pattern = re.compile(rf"(?<!\w)({'|'.join(map(re.escape, forms))})(?!\w)(?:[/\\]\S*)?")
    return pattern.sub(lambda found: called[found.group(1)], text)
