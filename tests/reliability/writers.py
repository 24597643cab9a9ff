"""Writers that are there to be killed, and readers that tell what they left.

Everything a writer writes carries a number that grows with each turn; whoever reads it back must find one number in
all of it. ``python -m tests.reliability.writers`` starts writers as children of itself: a line of JSON on its standard
input (``mode``, ``target``, ``first`` number, and ``stop_at`` or null) starts one, which it names by ``pid N``; the
writer tells each finished turn by ``done N``, and its end is told by ``ended STATUS``.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from cotyle.anatomy.landmark_files import read_landmarks
from cotyle.case import folder as names
from cotyle.case import folder_swap
from cotyle.case.anatomy_file import read_scan_copy
from cotyle.case.folder import changed_whole, written_whole
from cotyle.case.json_text import read_json, to_json
from cotyle.case.one_writer import only_writer_of
from cotyle.case.plan_file import PlanFile
from cotyle.case.store import StoredCase, read_case, write_anatomy, write_bones
from cotyle.files import write_bytes_atomically, write_text_atomically

from tests.platform_plugin.scene.small_case import small_case

DRAFT = "draft.json"
ADDED = "comparison-1.json"
_HTML = "<html>" + "<p>" * 100_000
_END = "</html>"
_NOISE = np.random.default_rng(5).integers(-1000, 1000, (20, 30, 40)).astype(np.int16)
_STEPS = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.link", "os.scandir", "step"}


def write_numbered(folder: Path, number: int) -> None:
    """Write all the files of a small case, each with the number in it."""
    case = writers_own_case()
    scan = case.scan.cropped((0, 0, 0), _NOISE.shape[::-1])
    write_bones(folder, scan.with_voxels(np.full(_NOISE.shape, number % 5 + 1)), scan.with_voxels(_NOISE + number))
    skeleton = case.anatomy.skeleton
    skeleton = replace(skeleton, source=replace(skeleton.source, series=str(number)))
    marks = {name: replace(mark, uncertainty_mm=float(number)) for name, mark in case.anatomy.landmarks.items()}
    write_anatomy(folder, replace(case.anatomy, skeleton=skeleton, landmarks=marks))
    _add_numbered(folder, number)
    numbered_plan(number).write(folder / names.PLAN)


@cache
def writers_own_case() -> StoredCase:
    """Return the case that is written, before it has a number."""
    return small_case(Path())


def numbered_plan(number: int) -> PlanFile:
    """Return a plan with the number among its notes."""
    plan = writers_own_case().plan
    return plan.model_copy(update={"cup": plan.cup.model_copy(update={"notes": (str(number),)})})


def numbers_of_case(folder: Path) -> set[int]:
    """Return the numbers in all the files of a case, through the readers that commands use."""
    case = read_case(folder)
    difference = np.unique(case.scan.voxels - _NOISE)
    marks = {mark.uncertainty_mm for mark in read_landmarks(folder / names.LANDMARKS).values()}
    kept = {mark.uncertainty_mm for mark in case.anatomy.landmarks.values()}
    labels = np.unique(read_scan_copy(folder / names.BONES).voxels)  # the reader of strangers' maps starts a process
    number = int(case.plan.cup.notes[0])
    found = {number, *difference, *marks, *kept, case.anatomy.source.series, *numbers_of_added(folder)}
    if list(labels) != [number % 5 + 1]:
        found.add(-1)
    return {int(each) for each in found}


def numbers_of_added(folder: Path) -> set[int]:
    """Return the numbers in what commands add to a case."""
    html = (folder / names.REPORT_HTML).read_text(encoding="utf-8")
    assert html.startswith(_HTML)
    assert html.endswith(_END)
    figure = np.frombuffer((folder / names.FIGURES / "a.png").read_bytes(), dtype=np.int64)
    assert len(figure) == 30_000
    return {
        int(html.removeprefix(_HTML).removesuffix(_END)),
        *(int(each) for each in np.unique(figure)),
        read_json(folder / ADDED)["number"],
    }


def number_of_draft(folder: Path) -> set[int]:
    """Return the number in the draft of a case."""
    return {int(PlanFile.read(folder / DRAFT).cup.notes[0])}


def number_of_file(path: Path) -> set[int]:
    """Return the numbers in a JSON file of its own."""
    return set(read_json(path)["numbers"])


def _add_numbered(folder: Path, number: int) -> None:
    write_bytes_atomically(folder / names.FIGURES / "a.png", np.full(30_000, number, dtype=np.int64).tobytes())
    write_text_atomically(folder / ADDED, to_json({"number": number}))
    write_text_atomically(folder / names.REPORT_HTML, f"{_HTML}{number}{_END}")


def _write_case(target: Path, number: int) -> None:
    with written_whole(target) as folder:
        write_numbered(folder, number)


def _add(target: Path, number: int) -> None:
    with changed_whole(target) as folder:
        _add_numbered(folder, number)


def _write_draft(target: Path, number: int) -> None:
    with only_writer_of(target):
        numbered_plan(number).write(target / DRAFT)


def _write_file(target: Path, number: int) -> None:
    write_text_atomically(target, to_json({"numbers": [number] * 30_000}))


def _hold(target: Path, number: int) -> None:
    with only_writer_of(target):
        os.write(1, b"held\n")
        signal.pause()


MODES: dict[str, tuple[Callable[[Path, int], None], Callable[[Path], set[int]]]] = {
    "case": (_write_case, numbers_of_case),
    "case, no exchange": (_write_case, numbers_of_case),
    "added to a case": (_add, numbers_of_added),
    "draft in a case": (_write_draft, number_of_draft),
    "file": (_write_file, number_of_file),
}
"""How to write a number, and how to read back what is there, by name."""


def without_exchange() -> None:
    """Have this process do as where two folders can't be exchanged in one step."""
    folder_swap.exchange = lambda first, second: False


def _write_for_ever(mode: str, target: Path, first: int, stop_at: int | None) -> None:
    if mode == "hold":
        _hold(target, first)
    if mode.endswith("no exchange"):
        without_exchange()
    if stop_at is not None:
        _die_at_step(stop_at)
    write, number = MODES[mode][0], first
    while True:
        write(target, number)
        os.write(1, f"done {number}\n".encode())
        if stop_at is not None:
            os._exit(0)
        number += 1


def _die_at_step(stop_at: int) -> None:
    """Have the process killed right before its n-th step on the disk, as Python tells of them."""
    left = stop_at
    fsync, exchange = os.fsync, folder_swap.exchange

    def count(event: str, arguments: object) -> None:
        nonlocal left
        if event in _STEPS:
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    def counted_fsync(handle: int) -> None:
        sys.audit("step")
        fsync(handle)

    def counted_exchange(first: Path, second: Path) -> bool:
        sys.audit("step")
        return exchange(first, second)

    os.fsync, folder_swap.exchange = counted_fsync, counted_exchange
    sys.addaudithook(count)


def main() -> None:
    """Start writers as they are asked for, one at a time."""
    writers_own_case()  # once, not in each child
    os.write(1, b"ready\n")
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            try:
                os.write(1, f"pid {os.getpid()}\n".encode())
                _write_for_ever(asked["mode"], Path(asked["target"]), asked["first"], asked["stop_at"])
            except BaseException as error:
                os.write(1, f"failed {error!r}\n".replace("\n", " ").encode() + b"\n")
            finally:
                os._exit(1)
        _, status = os.waitpid(child, 0)
        os.write(1, f"ended {status}\n".encode())


if __name__ == "__main__":
    main()
