"""The same page as PDF."""

from __future__ import annotations

from typing import Any

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


class PdfUnavailableError(InputError):
    """PDF cannot be written here; the HTML page can be printed instead."""

    def __init__(self, reason: str) -> None:
        super().__init__("pdf-unavailable", f"no PDF: {reason}", "Print report.html instead")
