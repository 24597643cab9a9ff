"""One writer of a case at a time, whoever they are: a lock that the system itself lets go when its process ends.

The locked file holds nothing. Beside a case it lies as ``.<name>.cotyle-lock`` while somebody writes, since writing
replaces the case folder as a whole; one that a killed process left behind locks nothing.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cotyle.errors import InputError

if os.name == "nt":
    import msvcrt
else:
    import fcntl

WAIT_S = 5.0
"""How long a command waits for another to finish writing; a plan takes minutes, a draft no time at all."""

_LOOK_AGAIN_S = 0.05
_BUSY = {errno.EACCES, errno.EAGAIN, errno.EDEADLK}
_NO_LOCKS_HERE = {errno.ENOLCK, errno.ENOSYS, errno.EINVAL, errno.EBADF, errno.EOPNOTSUPP}
_mine = threading.local()


class LockedElsewhereError(Exception):
    """Another process, or another thread, holds the lock."""


@contextmanager
def only_writer_of(case: Path, wait_s: float | None = None) -> Iterator[None]:
    """Hold a case for writing while the block runs; a block within the block, in the same thread, has it already.

    The folder that holds the case must be there; the case need not. On shared disks without locks nothing is held.

    Raises
    ------
    InputError
        ``case-busy`` if somebody else still writes the case after ``wait_s`` (None: ``WAIT_S``); ``output-unwritable``.
    """
    case = case.resolve()
    if not case.name:
        raise InputError("case-not", "the top of a disk is no case folder", "Give a folder that 'plan' wrote")
    held: set[Path] = _mine.__dict__.setdefault("cases", set())
    if case in held:
        yield
        return
    with contextlib.ExitStack() as stack:
        try:
            _lock_beside_or_in(stack, case, WAIT_S if wait_s is None else wait_s)
        except LockedElsewhereError:
            raise InputError(
                "case-busy", f"{case.name} is being written by another process", "Try again when that one is done"
            ) from None
        except OSError as error:
            raise unwritable_folder(case, error) from error
        held.add(case)
        stack.callback(held.discard, case)
        yield


def _lock_beside_or_in(stack: contextlib.ExitStack, case: Path, wait_s: float) -> None:
    """Lock beside a case; in it where only that can be written to, since whoever may no more can't replace it."""
    try:
        stack.enter_context(locked(case.with_name(f".{case.name}.cotyle-lock"), wait_s))
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS) or not case.is_dir():
            raise
        stack.enter_context(locked(case / ".cotyle-lock", wait_s))


def unwritable_folder(folder: Path, error: OSError) -> InputError:
    """Return the error that says a folder cannot be written, and why."""
    reason = error.strerror or type(error).__name__
    return InputError(
        "output-unwritable", f"cannot write the folder {folder.name}: {reason}", "Choose a folder you may write to"
    )


@contextmanager
def locked(path: Path, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock on a file while the block runs; the file is made, and removed again.

    Raises
    ------
    LockedElsewhereError
        If somebody else still holds it after ``wait_s``.
    OSError
        If the file cannot be made.
    """
    handle = _locked_handle(path, time.monotonic() + wait_s)
    try:
        yield
    finally:
        _let_go(handle, path)


def _locked_handle(path: Path, until: float) -> int:
    while True:
        handle = _opened(path)
        try:
            held = _lock(handle)
            if held and _is_at(handle, path):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        if held:
            continue  # whoever had it has just removed it; the next file at its place is the one to lock
        if time.monotonic() >= until:
            raise LockedElsewhereError(path.name)
        time.sleep(_LOOK_AGAIN_S)


def _opened(path: Path) -> int:
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | flags, 0o644)
    except PermissionError:
        if not path.is_file():
            raise
        return os.open(path, os.O_RDONLY | flags)  # another user's


def _lock(handle: int) -> bool:
    """Return whether the lock was had; where the system has no locks at all, it is."""
    try:
        if os.name == "nt":
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _BUSY:
            return False
        if error.errno in _NO_LOCKS_HERE:
            return True
        raise
    return True


def _is_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


def _let_go(handle: int, path: Path) -> None:
    """Remove the file while it is locked, so that nobody locks a file that is about to vanish; Windows can't."""
    if os.name != "nt":
        with contextlib.suppress(OSError):
            path.unlink()
    os.close(handle)
    if os.name == "nt":
        with contextlib.suppress(OSError):
            path.unlink()
