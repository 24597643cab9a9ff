"""The case folder on disk: complete or not there at all.

Everything is written into a hidden folder beside the target, flushed to the disk, and exchanged with what stands there,
so that a reader, a killed process or a power cut never leaves half a case or none.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from cotyle.case import folder_swap
from cotyle.case.json_text import read_json
from cotyle.case.one_writer import only_writer_of, unwritable_folder
from cotyle.errors import InputError

T = TypeVar("T")
_TRIES = 5

PLAN = "plan.json"
MEASUREMENTS = "measurements.json"
LANDMARKS = "landmarks.json"
BONES = "bones.nrrd"
CT = "ct.nrrd"
ANATOMY = "anatomy.npz"
REVIEW = "review.json"
REVIEW_HTML = "review.html"
SKELETON = "skeleton.npz"
REPORT_HTML = "report.html"
REPORT_PDF = "report.pdf"
FIGURES = "figures"
XRAY = "xray"
DECISION = "decision"
MESH = "mesh"


def is_case(folder: Path) -> bool:
    """Return whether the folder holds a plan of ours."""
    return _schema_of(folder / PLAN) == "cotyle/plan"


def is_review(folder: Path) -> bool:
    """Return whether the folder holds what is left of a hip that could not be planned."""
    return _schema_of(folder / REVIEW) == "cotyle/review"


def _schema_of(file: Path) -> object:
    if not file.is_file():
        return None
    try:
        content = read_json(file)
    except InputError:
        return None
    return content.get("schema") if isinstance(content, dict) else None


def require_case(folder: Path) -> None:
    """Raise InputError ``case-missing``, ``case-unplanned`` or ``case-not`` unless the folder is a case."""
    if folder_swap.has_stepped_aside(folder):
        with only_writer_of(folder):
            folder_swap.brought_back(folder)
    if not folder.is_dir():
        raise InputError("case-missing", f"there is no case folder {folder.name or folder}", "Check the path")
    if is_review(folder):
        raise InputError(
            "case-unplanned",
            f"{folder.name or folder} could not be planned and holds no plan yet",
            f"Correct it with 'cotyle repair', see {REVIEW_HTML}",
        )
    if not is_case(folder):
        raise InputError("case-not", f"{folder.name or folder} is not a case folder", "Give a folder that 'plan' wrote")


def read_undisturbed(folder: Path, read: Callable[[], T]) -> T:
    """Return what ``read`` reads from a case; again where another case took its place meanwhile, lest both are mixed.

    Raises
    ------
    InputError
        ``case-busy`` where that happens time and again, and those of ``read``.
    """
    for _ in range(_TRIES):
        before = _standing(folder)
        try:
            found = read()
        except InputError:
            if _standing(folder) == before:
                raise
            continue
        if _standing(folder) == before:
            return found
    raise InputError("case-busy", f"{folder.name} is being written all the time", "Try again when that is done")


def _standing(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def written_whole(target: Path) -> Iterator[Path]:
    """Give an empty folder that becomes ``target`` when the block ends well, and vanishes when it fails.

    An existing case or review, or an empty folder, is replaced; anything else is left alone. Nobody else writes the
    case while the block runs.

    Raises
    ------
    InputError
        ``output-not-a-case`` if ``target`` is a file or a folder with other content, ``output-unwritable``,
        ``case-busy``.
    """
    target = _named(target)
    _refuse_other_content(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable_folder(target, error) from error
    with only_writer_of(target):
        folder_swap.brought_back(target)
        folder_swap.sweep(target)
        try:
            workshop = folder_swap.new_workshop(target)
            begun = workshop / ".cotyle-begun"
            begun.touch()
        except OSError as error:
            raise unwritable_folder(target, error) from error
        try:
            yield workshop
            begun.unlink()  # else the folder vanished, and what was written later made it anew without the rest
            _refuse_other_content(target)
            folder_swap.put_in_place(workshop, target)
        except OSError as error:
            if error.filename is not None and not _within(Path(str(error.filename)), workshop, target):
                raise
            raise unwritable_folder(target, error) from error
        finally:
            shutil.rmtree(workshop, ignore_errors=True)


@contextmanager
def changed_whole(case: Path) -> Iterator[Path]:
    """Give a folder with all that a case holds, to be changed, that becomes the case when the block ends well.

    Its files are links to those of the case: they may be replaced or removed, but never written into.

    Raises
    ------
    InputError
        As :func:`require_case` and :func:`written_whole`.
    """
    require_case(case)
    with written_whole(case) as folder:
        require_case(case)  # whoever wrote it until now may have left another one
        _carry_all(case, folder)
        yield folder


def require_writable(target: Path) -> None:
    """Raise the errors of :func:`written_whole` now, before long work; changes nothing."""
    target = _named(target)
    _refuse_other_content(target)
    nearest = next(folder for folder in (target.parent, *target.parent.parents) if folder.exists())
    try:
        folder_swap.new_workshop(nearest / target.name).rmdir()
    except OSError as error:
        raise unwritable_folder(target, error) from error


def carry_over(source: Path, target: Path, names: tuple[str, ...]) -> None:
    """Bring unchanged files of one case folder into another: linked where the disk can, else copied."""
    for name in names:
        if (source / name).exists():
            _link_or_copy(source / name, target / name)


def _carry_all(source: Path, target: Path) -> None:
    for place, _, files in os.walk(source):
        inside = target / Path(place).relative_to(source)
        inside.mkdir(exist_ok=True)
        for name in files:
            if not name.startswith(".cotyle-"):  # of a process that was killed, or that waits for its turn
                _link_or_copy(Path(place, name), inside / name)


def _link_or_copy(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def _refuse_other_content(target: Path) -> None:
    try:
        if not target.exists() or (
            target.is_dir() and (is_case(target) or is_review(target) or not any(target.iterdir()))
        ):
            return
    except OSError as error:
        raise unwritable_folder(target, error) from error
    what = "holds other files" if target.is_dir() else "is a file"
    raise InputError("output-not-a-case", f"{target.name} {what}", "Choose a new or empty folder, or an existing case")


def _named(target: Path) -> Path:
    """Return the absolute path whose last part is the folder's name; a link stays one."""
    return target.resolve() if target.name in ("", "..") else Path.cwd() / target


def _within(path: Path, *folders: Path) -> bool:
    return any(path == folder or folder in path.parents or path in folder.parents for folder in folders)
