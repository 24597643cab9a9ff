"""The case folder on disk: complete or not there at all.

Everything is written into a hidden folder beside the target and moved into place by one rename, so that a reader, or a
power cut, never meets half a case.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cotyle.case.json_text import read_json
from cotyle.errors import InputError

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


@contextmanager
def written_whole(target: Path) -> Iterator[Path]:
    """Give an empty folder that becomes ``target`` when the block ends well, and vanishes when it fails.

    An existing case or review, or an empty folder, is replaced; anything else is left alone.

    Raises
    ------
    InputError
        ``output-not-a-case`` if ``target`` is a file or a folder with other content, ``output-unwritable``.
    """
    target = Path.cwd() / target
    _refuse_other_content(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        workshop = target.parent / f".{target.name}-{secrets.token_hex(4)}"
        workshop.mkdir()
    except OSError as error:
        raise _unwritable(target, error) from error
    try:
        yield workshop
        _refuse_other_content(target)
        _move_into_place(workshop, target)
    except OSError as error:
        if error.filename is not None and not _within(Path(str(error.filename)), workshop, target):
            raise
        raise _unwritable(target, error) from error
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def require_writable(target: Path) -> None:
    """Raise the errors of :func:`written_whole` now, before long work; changes nothing."""
    target = Path.cwd() / target
    _refuse_other_content(target)
    nearest = next(folder for folder in (target.parent, *target.parent.parents) if folder.exists())
    try:
        trial = nearest / f".{target.name}-{secrets.token_hex(4)}"
        trial.mkdir()
        trial.rmdir()
    except OSError as error:
        raise _unwritable(target, error) from error


def carry_over(source: Path, target: Path, names: tuple[str, ...]) -> None:
    """Bring unchanged files of one case folder into another: linked where the disk can, else copied."""
    for name in names:
        if not (source / name).exists():
            continue
        try:
            os.link(source / name, target / name)
        except OSError:
            shutil.copy2(source / name, target / name)


def _refuse_other_content(target: Path) -> None:
    try:
        if not target.exists() or (
            target.is_dir() and (is_case(target) or is_review(target) or not any(target.iterdir()))
        ):
            return
    except OSError as error:
        raise _unwritable(target, error) from error
    what = "holds other files" if target.is_dir() else "is a file"
    raise InputError("output-not-a-case", f"{target.name} {what}", "Choose a new or empty folder, or an existing case")


def _move_into_place(workshop: Path, target: Path) -> None:
    """Swap folders by renaming; the old case is deleted only once the new one stands."""
    if not target.exists():
        workshop.rename(target)
        return
    old = workshop.with_name(workshop.name + "-old")
    target.rename(old)
    try:
        workshop.rename(target)
    except OSError:
        with contextlib.suppress(OSError):
            old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _within(path: Path, *folders: Path) -> bool:
    return any(path == folder or folder in path.parents or path in folder.parents for folder in folders)


def _unwritable(target: Path, error: OSError) -> InputError:
    reason = error.strerror or type(error).__name__
    return InputError(
        "output-unwritable", f"cannot write the folder {target.name}: {reason}", "Choose a folder you may write to"
    )
