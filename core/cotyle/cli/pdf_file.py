"""The report's PDF, set again after its page changed."""

from __future__ import annotations

from pathlib import Path

from cotyle.case import folder as names
from cotyle.cli.console import say
from cotyle.files import write_bytes_atomically
from cotyle.report.pdf import PdfUnavailableError, Typesetter, page_as_pdf


def write_pdf(case: Path, html: str, typesetter: Typesetter | None = None) -> None:
    """Write the page as PDF into a case, set by a process of its own where there is one; say so where it can't be."""
    try:
        content = page_as_pdf(html) if typesetter is None else typesetter.begin(html)()
        write_bytes_atomically(case / names.REPORT_PDF, content)
    except PdfUnavailableError as error:
        say(f"! {error.what}. {error.remedy}")
