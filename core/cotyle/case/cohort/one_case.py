"""One case of a cohort, worked out by ``cotyle plan`` in a process of its own.

A process that crashes, or is ended for its memory, costs one row and no more; and what a row says is what the command
would have said.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cotyle import __version__
from cotyle.case import folder as names
from cotyle.case.cohort.manifest import Entry
from cotyle.case.cohort.row import Outcome, Row, numbers_of
from cotyle.case.measurements import Measurements
from cotyle.errors import InputError

COTYLE = (sys.executable, "-m", "cotyle.cli.main")
CASES = "cases"
BUSY_S = 900.0
"""How long a case may be held by somebody else: a worker that was killed leaves its command to its end."""

_LOOK_AGAIN_S = 2.0
_BAD_INPUT = 2


def worked_out(entry: Entry, out: Path, pdf: bool = False, command: tuple[str, ...] = COTYLE) -> Row:
    """Plan a case into ``out``/cases/<name> and return its row; nothing that is wrong with a case is raised."""
    case = out / CASES / entry.name
    call = [*command, "plan", *entry.arguments, f"--out={case}", "--pdf" if pdf else "--no-pdf", "--json"]
    until = time.monotonic() + BUSY_S
    while True:
        done = subprocess.run(call, stdin=subprocess.DEVNULL, capture_output=True, check=False)
        error = _error(done.stdout)
        if error.get("code") != "case-busy" or time.monotonic() > until:
            break
        time.sleep(_LOOK_AGAIN_S)
    if done.returncode == 0:
        try:
            numbers = numbers_of(Measurements.read(case / names.MEASUREMENTS))
            return _row(entry, Outcome.PLANNED, "", "", numbers)
        except InputError as wrong:
            return _row(entry, Outcome.FAILED, wrong.code, str(wrong))
    outcome = Outcome.REFUSED if done.returncode == _BAD_INPUT else Outcome.FAILED
    code = str(error.get("code", "killed" if done.returncode < 0 else "internal"))
    text = str(error.get("text", f"its process ended with {done.returncode}"))
    return _row(entry, outcome, code, text)


def killed(entry: Entry) -> Row:
    """Return the row of a case whose worker was lost again and again."""
    return _row(entry, Outcome.FAILED, "worker-lost", "every worker that took it was lost")


def _row(entry: Entry, outcome: Outcome, code: str, text: str, numbers: Mapping[str, Any] | None = None) -> Row:
    return Row(
        name=entry.name,
        digest=entry.digest,
        software=f"cotyle {__version__}",
        outcome=outcome,
        code=code,
        text=text,
        numbers=dict(numbers or {}),
    )


def _error(printed: bytes) -> Mapping[str, Any]:
    try:
        found = json.loads(printed).get("error", {})
    except (ValueError, AttributeError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
