"""What ``view`` does: hands a case to the viewer, which is installed apart."""

from __future__ import annotations

from pathlib import Path

from cotyle.case.folder import require_case
from cotyle.errors import InputError


def run_view(case: Path, *, port: int, address: str | None, browser: bool) -> None:
    """Show a case in the browser until the viewer is stopped.

    Raises
    ------
    InputError
        ``viewer-missing`` where the viewer's packages are not installed; those of the case and of the server.
    """
    require_case(case)
    try:
        import trame_slicer  # noqa: F401
        from cotyle_platform.web.app import Opening, view
    except ImportError as error:
        raise InputError(
            "viewer-missing", "the viewer is not installed", "pip install '.[viewer]' in Cotyle's folder"
        ) from error
    view(Opening(case, port, address, browser))
