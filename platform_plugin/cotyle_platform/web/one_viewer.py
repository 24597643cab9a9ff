"""One viewer for a case: a second one would write over what the first one saves."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from cotyle.case.one_writer import LockedElsewhereError, locked
from cotyle.errors import InputError


@contextmanager
def only_viewer_of(case: Path) -> Iterator[None]:
    """Hold a case for this process as long as the block runs; the system lets go of it when the process ends.

    The mark lies in the machine's folder for temporary files, since a case may lie where nothing can be written.

    Raises
    ------
    InputError
        ``case-open`` if another viewer on this machine has the case open.
    """
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(locked(_mark_of(case)))
        except LockedElsewhereError:
            raise InputError(
                "case-open", f"{case.name} is open in another viewer", "Close that one, or go on in its page"
            ) from None
        yield


def _mark_of(case: Path) -> Path:
    digest = hashlib.sha256(str(case.resolve()).encode()).hexdigest()[:20]
    return Path(tempfile.gettempdir()) / f"cotyle-viewer-{digest}"
