"""From an exception to one line and an exit code."""

from __future__ import annotations

import errno
import re
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

import typer

from cotyle.cli.console import input_error_line, one_line, print_json, say
from cotyle.cli.typed import Typed, typed_paths, without_typed
from cotyle.errors import InputError

# the parser's own base error, wherever this version of typer keeps it
_USAGE_ERROR = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")
_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"")

_OF_THE_SYSTEM = frozenset(
    getattr(errno, name)
    for name in ("EACCES", "EPERM", "EROFS", "ENAMETOOLONG", "ELOOP", "EIO", "ENOSPC", "EDQUOT", "ESTALE", "EMFILE")
    if hasattr(errno, name)
)
"""What a path or the machine it lies on, no code of ours, makes fail."""

DONE, OUR_FAULT, BAD_INPUT = 0, 1, 2


def report_failure(error: BaseException, debug: bool, as_json: bool, arguments: Sequence[str] = ()) -> int:
    """Say what went wrong on stderr, and as JSON on stdout if asked for; return the exit code.

    An error of ours may hold anything that was in a file: its own words are shown with ``debug`` alone, and then
    without what they quote.
    """
    code, name, line = _judged(error, arguments)
    typed = typed_paths(list(arguments)) if as_json or code == OUR_FAULT else {}
    if debug and code == OUR_FAULT:
        say(_trace(error, typed))
    say(line)
    if as_json:
        text = without_typed(line.removeprefix("cotyle: "), typed)
        print_json({"error": {"code": name, "text": text}, **getattr(error, "document", {})})
    return code


def _judged(error: BaseException, arguments: Sequence[str]) -> tuple[int, str, str]:
    if isinstance(error, InputError):
        return BAD_INPUT, error.code, input_error_line(error)
    if type(error).__name__ == "NoArgsIsHelpError":
        context = getattr(error, "ctx", None)
        sys.stderr.write(context.get_help() + "\n" if context else "")
        return BAD_INPUT, "usage", "cotyle: name a command [usage]"
    if isinstance(error, _USAGE_ERROR):
        message = one_line(str(getattr(error, "format_message", error.__str__)()))
        return BAD_INPUT, "usage", f"cotyle: {message} See cotyle --help. [usage]"
    if isinstance(error, KeyboardInterrupt | typer.Abort):
        return OUR_FAULT, "stopped", "cotyle: stopped; no file was left half-written"
    if isinstance(error, MemoryError):
        return (
            BAD_INPUT,
            "memory",
            "cotyle: the scan needs more memory than there is. Crop it, or use a larger machine. [memory]",
        )
    if isinstance(error, OSError) and error.errno in _OF_THE_SYSTEM:
        which, why = _called(error, typed_paths(list(arguments))), error.strerror or type(error).__name__
        line = f"cotyle: {which} cannot be used: {why}. Check paths, and what you may read and write. [path-unusable]"
        return BAD_INPUT, "path-unusable", line
    return (
        OUR_FAULT,
        "internal",
        f"cotyle: this is our fault, not yours: {type(error).__name__}{_place(error)}; run again with --debug and "
        "report what that says",
    )


def _called(error: OSError, typed: Typed) -> str:
    """Return what a file of a failed call is called on the command line; its own name may be a patient's."""
    if isinstance(error.filename, str):
        file = Path(error.filename).absolute()
        for path, called in typed.items():
            if Path(path).absolute() in (file, *file.parents):
                return called
    return "a file"


def _place(error: BaseException) -> str:
    """Return the last place of ours that an error passed."""
    ours = [f for f in traceback.extract_tb(error.__traceback__) if re.search(r"\bcotyle\w*[/\\]", f.filename)]
    if not ours:
        return ""
    module = re.split(r"[/\\](?=cotyle\w*[/\\])", ours[-1].filename)[-1].replace("\\", "/")
    return f" in {module}:{ours[-1].lineno}"


def _trace(error: BaseException, typed: Typed) -> str:
    """Return where an error came from and its words, without what they quote and without typed paths."""
    parts: list[str] = []
    seen: set[int] = set()
    cause: BaseException | None = error
    while cause is not None and id(cause) not in seen:
        seen.add(id(cause))
        words = _QUOTED.sub("'...'", without_typed(one_line(str(cause)), typed))
        parts.insert(0, "".join(traceback.format_tb(cause.__traceback__)) + f"{type(cause).__name__}: {words}")
        cause = cause.__cause__ or (None if cause.__suppress_context__ else cause.__context__)
    return "\nwhich led to\n".join(parts)
