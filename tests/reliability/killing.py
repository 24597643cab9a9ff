"""Killing writers at random moments, and right before each of their steps, and reading what they left."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cotyle.case.folder import require_case

from tests.reliability.writers import MODES, write_numbered

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Tally:
    """What came of killing a writer: kills, those amid a turn, and faults in words."""

    mode: str
    kills: int = 0
    amid: int = 0
    faults: list[str] = field(default_factory=list)


class Nursery:
    """The process whose children the writers are, so that each starts at once."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self._child: int | None = None
        self.wait_for("ready")

    def start(self, mode: str, target: Path, first: int, stop_at: int | None = None) -> int:
        """Start a writer; return its process id."""
        asked: dict[str, Any] = {"mode": mode, "target": str(target), "first": first, "stop_at": stop_at}
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        self._child = int(self.wait_for("pid")[1])
        return self._child

    def end(self) -> tuple[list[int], bool]:
        """Wait for the writer's end; return the turns it finished, and whether it was killed."""
        done: list[int] = []
        while True:
            words = self._line()
            if words[0] == "done":
                done.append(int(words[1]))
            elif words[0] == "ended":
                self._child = None
                return done, os.WIFSIGNALED(int(words[1]))

    def close(self) -> None:
        """End the writer, if there is one, and the nursery."""
        if self._child is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._child, signal.SIGKILL)
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(timeout=60)

    def wait_for(self, word: str) -> list[str]:
        """Return the next line, which must begin with that word."""
        words = self._line()
        assert words[0] == word, words
        return words

    def _line(self) -> list[str]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the nursery died"
        assert not line.startswith("failed"), line
        return line.split()


@contextmanager
def nursery() -> Iterator[Nursery]:
    """Give a nursery; it and its child end with the block."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    with subprocess.Popen(
        [sys.executable, "-m", "tests.reliability.writers"],
        cwd=ROOT,
        env=environment,
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        writers = Nursery(process)
        try:
            yield writers
        finally:
            writers.close()


def kill_at_random(writers: Nursery, mode: str, target: Path, kills: int, seed: int) -> Tally:
    """Kill a writer so often at moments spread over two of its turns; its first turns are left to it."""
    tally, moment = Tally(mode), random.Random(seed)
    number, turn_s = _prepared(writers, mode, target)
    for _ in range(kills):
        process = writers.start(mode, target, number + 1)
        time.sleep(moment.uniform(0.0, 2.0 * turn_s))
        os.kill(process, signal.SIGKILL)
        done, killed = writers.end()
        number = _judge(tally, target, done, number, killed)
    _last_turn(writers, tally, target, number)
    return tally


def kill_at_each_step(writers: Nursery, mode: str, target: Path, stride: int = 1, first: int = 0) -> Tally:
    """Kill a writer right before each step on the disk of one turn, or each ``stride``-th."""
    tally = Tally(mode)
    number, _ = _prepared(writers, mode, target)
    step, killed = first, True
    while killed:
        writers.start(mode, target, number + 1, stop_at=step)
        done, killed = writers.end()
        number = _judge(tally, target, done, number, killed)
        step += stride
    _last_turn(writers, tally, target, number)
    return tally


def _prepared(writers: Nursery, mode: str, target: Path) -> tuple[int, float]:
    """Have the first content written; return its number and how long a turn takes, s."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if mode in ("added to a case", "draft in a case"):
        target.mkdir()
        write_numbered(target, 0)
    process = writers.start(mode, target, 1)
    writers.wait_for("done")
    began = time.monotonic()
    number = int(writers.wait_for("done")[1])
    turn_s = time.monotonic() - began
    os.kill(process, signal.SIGKILL)
    done, _ = writers.end()
    return max([number, *done, *MODES[mode][1](target)]), turn_s


def _judge(tally: Tally, target: Path, done: list[int], before: int, killed: bool) -> int:
    """Read what is left; return its number. It must be the last that was told as done, or the one after it."""
    last = max([before, *done])
    tally.kills += killed
    try:
        if target.suffix != ".json":
            tally.amid += _leftovers(target) > 0
            require_case(target)
        found = MODES[tally.mode][1](target)
    except Exception as error:  # whatever it is, the content is not whole
        tally.faults.append(f"{type(error).__name__}: {error}")
        return last
    if len(found) != 1 or not found <= {last, last + 1}:
        tally.faults.append(f"{sorted(found)} stands where {last} or {last + 1} must")
    return max(found)


def _leftovers(target: Path) -> int:
    """Return how many folders stand beside a target that a writer had begun or had not removed yet."""
    return sum(path.is_dir() for path in target.parent.glob(f".{target.name}.cotyle-*"))


def _last_turn(writers: Nursery, tally: Tally, target: Path, number: int) -> None:
    """Have one turn done whole: nothing that the killed left may be in its way, or stay beside a case."""
    writers.start(tally.mode, target, number + 1, stop_at=10**9)
    writers.end()
    if MODES[tally.mode][1](target) != {number + 1}:
        tally.faults.append("the turn after the last kill was not written")
    if tally.mode.startswith(("case", "added")):
        left = sorted(path.name for path in target.parent.iterdir() if path != target)
        left += sorted(path.name for path in target.rglob(".*"))
        if left:
            tally.faults.append(f"left behind: {left}")
