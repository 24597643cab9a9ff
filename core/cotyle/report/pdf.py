"""The same page as PDF."""

from __future__ import annotations

from typing import Any

from cotyle.errors import InputError


def page_as_pdf(html: str) -> bytes:
    """Return the page as PDF; nothing but what the page itself holds is fetched.

    Raises
    ------
    PdfUnavailableError
        If the system has no Pango to set type with.
    """
    try:
        import weasyprint
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:
        raise PdfUnavailableError from error

    class OwnDataOnly(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:
            if not url.startswith("data:"):
                raise ValueError("the report asks for nothing outside itself")
            return super().fetch(url, headers)

    document = weasyprint.HTML(string=html, url_fetcher=OwnDataOnly(allowed_protocols={"data"}), base_url="about:blank")
    content = document.write_pdf()
    assert isinstance(content, bytes)
    return content


class PdfUnavailableError(InputError):
    """PDF cannot be written here; the HTML page can be printed instead."""

    def __init__(self) -> None:
        super().__init__("pdf-unavailable", "no PDF: the system lacks Pango", "Install Pango, or print report.html")
