"""What the command line says and where: data on stdout, people on stderr."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cotyle.errors import InputError

Stage = tuple[str, float]


class Progress:
    """Tells the stages of a long job on stderr: a moving line on a terminal, plain lines elsewhere, or nothing.

    Called with the words for the stage that begins. ``timings`` holds what each took, in seconds.
    """

    def __init__(self, quiet: bool = False) -> None:
        self.timings: list[Stage] = []
        self._quiet = quiet
        self._current: str | None = None
        self._started = time.perf_counter()
        self._status: Any = None

    def __call__(self, words: str) -> None:
        """Begin a stage."""
        self._close()
        self._current = words
        if self._quiet:
            return
        if self._status is not None:
            self._status.update(f"{words} ...")
        elif not sys.stderr.isatty():
            say(f"{words} ...")

    def _close(self) -> None:
        now = time.perf_counter()
        if self._current is not None:
            self.timings.append((self._current, now - self._started))
            if self._status is not None:
                self._status.console.print(f"[green]✓[/] {self._current} [dim]{now - self._started:.1f} s[/]")
        self._current, self._started = None, now

    @contextmanager
    def shown(self) -> Iterator[Progress]:
        """Show progress while the block runs."""
        if self._quiet or not sys.stderr.isatty():
            yield self
            self._close()
            return
        from rich.console import Console

        with Console(stderr=True).status("starting ...") as status:
            self._status = status
            try:
                yield self
                self._close()
            finally:
                self._status = None


def say(text: str) -> None:
    """Print a line for people, on stderr; where that can't be written to, nobody reads it."""
    with contextlib.suppress(OSError):
        sys.stderr.write(text + "\n")
        sys.stderr.flush()


def print_json(document: Any) -> None:
    """Print the one JSON document on stdout, UTF-8 whatever the terminal takes; errors as in :func:`print_table`."""
    from cotyle.case.json_text import to_json

    _print(to_json(document), "utf-8")


def print_table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows under titles on stdout, as wide as they are; the last column stands below its row.

    Raises
    ------
    InputError
        ``print-failed`` where stdout cannot be written to: a full disk, or a pipe that nobody reads.
    """
    text = ""
    lines = [titles[:-1], *(row[:-1] for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(titles) - 1)]
    remarks = ["", *(row[-1] for row in rows)]
    for line, remark in zip(lines, remarks, strict=True):
        cells = (one_line(cell).ljust(width) for cell, width in zip(line, widths, strict=True))
        text += "  ".join(cells).rstrip() + "\n"
        if remark:
            text += " " * (widths[0] + 2) + one_line(remark) + "\n"
    _print(text)


def _print(text: str, encoding: str | None = None) -> None:
    from cotyle.errors import InputError

    try:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding=encoding, errors="backslashreplace")
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        with contextlib.suppress(OSError, ValueError):  # what is left goes nowhere, else Python would try at its end
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, sys.stdout.fileno())
            os.close(nowhere)
        reason = error.strerror or type(error).__name__
        raise InputError("print-failed", f"cannot print the result: {reason}", "Files stand as written") from error


def one_line(text: str) -> str:
    """Return the text on one line, without control characters that a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in " ".join(text.split()))


def input_error_line(error: InputError) -> str:
    """Return the line for input that cannot be used."""
    text = one_line(str(error))
    return f"cotyle: {text[:1].lower() + text[1:] if text[1:2].islower() else text}"
