"""The report's PDF, set again after its page changed."""

from __future__ import annotations

from pathlib import Path

from cotyle.case import folder as names
from cotyle.cli.console import say
from cotyle.files import write_bytes_atomically
from cotyle.report.pdf import PdfUnavailableError, page_as_pdf


def write_pdf(case: Path, html: str) -> None:
    """Write the page as PDF into a case; say so where it can't be set."""
    try:
        write_bytes_atomically(case / names.REPORT_PDF, page_as_pdf(html))
    except PdfUnavailableError as error:
        say(f"! {error.what}. {error.remedy}")
