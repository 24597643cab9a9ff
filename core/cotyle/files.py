"""Files that are written whole or not at all, and JSON that says each thing once."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cotyle.errors import InputError


@contextmanager
def atomic_path(path: str | Path) -> Iterator[Path]:
    """Give a temporary path beside ``path`` that takes its place when the block ends well.

    The temporary file keeps the suffix of ``path``, since writers choose their format by it. It is flushed to the
    disk before it is renamed, and removed when the block fails, so that readers find the old file, the new one or
    none, never half of one.

    Raises
    ------
    InputError
        ``output-unwritable`` if the folder cannot be made or written to.
    """
    target = Path(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritable(target, error) from error
    temporary = target.with_name(f".cotyle-{secrets.token_hex(6)}-{target.name}")
    try:
        yield temporary
        flush(temporary)
        temporary.replace(target)
    except OSError as error:
        raise _unwritable(target, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
    flush(target.parent)


@contextmanager
def new_folder(path: str | Path) -> Iterator[Path]:
    """Give an empty folder beside ``path`` that stands there when the block ends well, and vanishes when it fails.

    Raises
    ------
    InputError
        ``output-unwritable``, also if ``path`` is a file or a folder that holds something.
    """
    target = Path(path)
    temporary = target.with_name(f".cotyle-{secrets.token_hex(6)}-{target.name}")
    try:
        temporary.mkdir(parents=True)
        yield temporary
        flush_all(temporary)
        temporary.rename(target)
        flush(target.parent)
    except OSError as error:
        raise _unwritable(target, error) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def write_bytes_atomically(path: str | Path, content: bytes) -> None:
    """Write a file whole or not at all; see :func:`atomic_path`."""
    with atomic_path(path) as temporary:
        temporary.write_bytes(content)


def write_text_atomically(path: str | Path, text: str) -> None:
    """Write a UTF-8 text file whole or not at all, with the line ends as given."""
    write_bytes_atomically(path, text.encode("utf-8"))


def flush(path: Path) -> None:
    """Have the system put a file, or the entries of a folder, on the disk; folders only where it can."""
    try:
        handle = _opened(path)
    except OSError:
        if path.is_dir():  # Windows opens no folders
            return
        raise
    try:
        os.fsync(handle)
    except OSError:
        if not path.is_dir():
            raise
    finally:
        os.close(handle)


def flush_all(folder: Path) -> None:
    """Have the system put a folder on the disk with all that is in it."""
    for place, folders, files in os.walk(folder, topdown=False):
        for path in (Path(place, name) for name in (*files, *folders)):
            if not path.is_symlink():
                flush(path)
    flush(folder)


def each_name_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object of a JSON file, for ``object_pairs_hook``.

    Raises
    ------
    ValueError
        If a name stands twice: readers differ in which of both they take (RFC 8259, section 4).
    """
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _opened(path: Path) -> int:
    if path.is_dir():
        return os.open(path, os.O_RDONLY)
    try:
        return os.open(path, os.O_RDWR)  # Windows flushes only what may be written to
    except PermissionError:
        return os.open(path, os.O_RDONLY)


def _unwritable(target: Path, error: OSError) -> InputError:
    reason = error.strerror or type(error).__name__
    return InputError("output-unwritable", f"cannot write {target.name}: {reason}", "Choose a folder you may write to")
