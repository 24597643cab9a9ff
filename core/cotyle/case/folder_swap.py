"""Putting a finished folder in the place of another, so that at every moment one of them stands there, whole.

Linux and macOS exchange two folders in one step. Where a disk or a system can't, the old folder steps aside first;
should the process be killed in between, :func:`brought_back` puts it back. All but :func:`new_workshop` expects its
caller to be the only writer of the target.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import secrets
import shutil
import sys
from functools import cache
from pathlib import Path
from typing import Any

from cotyle.files import flush, flush_all

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # linux/fs.h
_RENAME_SWAP = 2  # macOS, sys/stdio.h
_OLD = "-old"


def new_workshop(target: Path) -> Path:
    """Make and return an empty hidden folder beside the target."""
    workshop = target.with_name(f".{target.name}.cotyle-{secrets.token_hex(4)}")
    workshop.mkdir()
    return workshop


def put_in_place(workshop: Path, target: Path) -> None:
    """Flush a workshop to the disk and have it stand at the target; what stood there is removed last.

    Raises
    ------
    OSError
        The target is as it was then.
    """
    flush_all(workshop)
    if not os.path.lexists(target):
        workshop.rename(target)
        flush(target.parent)
        return
    old = workshop
    if not exchange(workshop, target):
        old = workshop.with_name(workshop.name + _OLD)
        target.rename(old)
        try:
            workshop.rename(target)
        except OSError:
            with contextlib.suppress(OSError):
                old.rename(target)
            raise
    flush(target.parent)
    _remove(old)


def brought_back(target: Path) -> bool:
    """Put back what stepped aside for a folder that never came; return whether there was such."""
    if os.path.lexists(target):
        return False
    left = [path for path in _left_by_killed(target) if path.name.endswith(_OLD)]
    if not left:
        return False
    try:
        max(left, key=lambda path: path.stat().st_mtime_ns).rename(target)
        flush(target.parent)
    except OSError:
        return False
    return True


def has_stepped_aside(target: Path) -> bool:
    """Return whether :func:`brought_back` would find something to put back."""
    return not os.path.lexists(target) and any(path.name.endswith(_OLD) for path in _left_by_killed(target))


def sweep(target: Path) -> None:
    """Remove the workshops that killed processes left beside a target."""
    for path in _left_by_killed(target):
        _remove(path)


def exchange(first: Path, second: Path) -> bool:
    """Exchange what stands at two paths of one disk in one step; return False where that can't be done."""
    call = _exchanging()
    return call is not None and call(os.fsencode(first), os.fsencode(second)) == 0


@cache
def _exchanging() -> Any:
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform.startswith("linux"):
            rename = library.renameat2
            rename.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)
            return lambda first, second: rename(_AT_FDCWD, first, _AT_FDCWD, second, _RENAME_EXCHANGE)
        if sys.platform == "darwin":
            swap = library.renamex_np
            swap.argtypes = (ctypes.c_char_p, ctypes.c_char_p, ctypes.c_uint)
            return lambda first, second: swap(first, second, _RENAME_SWAP)
    except (OSError, AttributeError, TypeError):  # another C library, or Windows
        pass
    return None


def _left_by_killed(target: Path) -> list[Path]:
    pattern = re.compile(rf"\.{re.escape(target.name)}\.cotyle-[0-9a-f]{{8}}({_OLD})?")
    try:
        return sorted(path for path in target.parent.iterdir() if pattern.fullmatch(path.name))
    except OSError:
        return []


def _remove(path: Path) -> None:
    if path.is_symlink():
        with contextlib.suppress(OSError):
            path.unlink()
    else:
        shutil.rmtree(path, ignore_errors=True)
