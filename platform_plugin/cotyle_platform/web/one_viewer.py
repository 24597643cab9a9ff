"""One viewer for a case: a second one would write over what the first one saves."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cotyle.errors import InputError


@contextmanager
def only_viewer_of(case: Path) -> Iterator[None]:
    """Hold a case for this process as long as the block runs; a mark that a killed process left behind is taken over.

    The mark lies in the machine's folder for temporary files, since saving replaces the case folder as a whole.

    Raises
    ------
    InputError
        ``case-open`` if another viewer on this machine has the case open.
    """
    mark = _mark_of(case)
    own = mark.with_name(f"{mark.name}-{os.getpid()}-{secrets.token_hex(4)}")
    own.write_text(str(os.getpid()))
    try:
        while True:
            try:
                os.link(own, mark)  # with its content or not at all
                break
            except FileExistsError:
                if _holder_lives(mark):
                    raise InputError(
                        "case-open", f"{case.name} is open in another viewer", "Close that one, or go on in its page"
                    ) from None
                mark.unlink(missing_ok=True)
    finally:
        own.unlink()
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            mark.unlink()


def _mark_of(case: Path) -> Path:
    digest = hashlib.sha256(str(case.resolve()).encode()).hexdigest()[:20]
    return Path(tempfile.gettempdir()) / f"cotyle-viewer-{digest}"


def _holder_lives(mark: Path) -> bool:
    try:
        process = int(mark.read_text())
        if os.name != "posix":
            return True
        os.kill(process, 0)
    except (OSError, ValueError) as error:
        return isinstance(error, PermissionError)
    return True
