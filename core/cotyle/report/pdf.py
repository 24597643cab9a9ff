"""The same page as PDF."""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from types import TracebackType
from typing import Any, Self

from cotyle.errors import InputError


def page_as_pdf(html: str) -> bytes:
    """Return the page as PDF; nothing but what the page itself holds is fetched.

    Raises
    ------
    PdfUnavailableError
        If the system has no Pango to set type with, or setting it failed; the HTML page doesn't depend on it.
    """
    try:
        import weasyprint
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:
        raise PdfUnavailableError("the system lacks Pango") from error

    class OwnDataOnly(URLFetcher):
        def fetch(self, url: str, headers: Any = None) -> Any:
            if not url.startswith("data:"):
                raise ValueError("the report asks for nothing outside itself")
            return super().fetch(url, headers)

    document = weasyprint.HTML(string=html, url_fetcher=OwnDataOnly(allowed_protocols={"data"}), base_url="about:blank")
    try:
        content = document.write_pdf()
    except Exception as error:  # a typesetter's trouble must not cost the plan
        raise PdfUnavailableError(f"setting it failed ({type(error).__name__})") from error
    assert isinstance(content, bytes)
    return content


class Typesetter:
    """Sets pages in a process of its own, so that the caller goes on meanwhile; a context."""

    def __init__(self) -> None:
        self._pool = ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn"))
        self._pool.submit(_warm_up)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=error is None, cancel_futures=True)

    def begin(self, html: str) -> Callable[[], bytes]:
        """Start setting a page; the result waits for it and returns the PDF, with errors as in :func:`page_as_pdf`."""
        set_page = self._pool.submit(_content_or_reason, html)

        def finish() -> bytes:
            try:
                content, reason = set_page.result()
            except BrokenProcessPool as error:
                raise PdfUnavailableError("the process that sets it ended early") from error
            if content is None:
                raise PdfUnavailableError(reason)
            return content

        return finish


def _content_or_reason(html: str) -> tuple[bytes | None, str]:
    """A page as PDF, or None and why not: errors of our own do not travel between processes."""
    try:
        return page_as_pdf(html), ""
    except PdfUnavailableError as error:
        return None, error.reason


def _warm_up() -> None:
    """Import the typesetter, which takes about a second; trouble shows when a page is set."""
    with contextlib.suppress(ImportError, OSError):
        importlib.import_module("weasyprint")


class PdfUnavailableError(InputError):
    """PDF cannot be written here; the HTML page can be printed instead."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__("pdf-unavailable", f"no PDF: {reason}", "Print report.html instead")
