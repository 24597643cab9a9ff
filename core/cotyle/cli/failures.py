"""From an exception to one line and an exit code."""

from __future__ import annotations

import sys
import traceback

import typer

from cotyle.cli.console import input_error_line, one_line, print_json, say
from cotyle.errors import InputError

# the parser's own base error, wherever this version of typer keeps it
_USAGE_ERROR = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")

DONE, OUR_FAULT, BAD_INPUT = 0, 1, 2


def report_failure(error: BaseException, debug: bool, as_json: bool) -> int:
    """Say what went wrong on stderr, and as JSON on stdout if asked for; return the exit code."""
    code, name, line = _judged(error)
    if debug and code == OUR_FAULT:
        traceback.print_exception(error)
    say(line)
    if as_json:
        print_json({"error": {"code": name, "text": line.removeprefix("cotyle: ")}, **getattr(error, "document", {})})
    return code


def _judged(error: BaseException) -> tuple[int, str, str]:
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
        return OUR_FAULT, "stopped", "cotyle: stopped; nothing was written"
    if isinstance(error, MemoryError):
        return (
            BAD_INPUT,
            "memory",
            "cotyle: the scan needs more memory than there is. Crop it, or use a larger machine. [memory]",
        )
    kind, text = type(error).__name__, one_line(str(error))
    return (
        OUR_FAULT,
        "internal",
        f"cotyle: this is our fault, not yours: {kind} ({text[:200]}); run again with --debug before the command and "
        "report it, without patient data",
    )
