"""What ``view`` does: hands a case, or a scan to begin one from, to the viewer, which is installed apart."""

from __future__ import annotations

from pathlib import Path

from cotyle.errors import InputError


def run_view(source: Path | None, *, port: int, address: str | None, browser: bool) -> None:
    """Show a case in the browser until the viewer is stopped.

    Raises
    ------
    InputError
        ``viewer-missing`` where the viewer's packages are not installed; those of the case and of the server.
    """
    try:
        import trame_slicer  # noqa: F401
        from cotyle_platform.web.app import begin_or_view
    except ImportError as error:
        raise InputError(
            "viewer-missing", "the viewer is not installed", "pip install '.[viewer]' in Cotyle's folder"
        ) from error
    begin_or_view(source, port, address, browser)
