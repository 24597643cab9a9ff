"""Places in the report's page that are filled later, by what is done on a plan after it was measured."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path

from cotyle.case import folder as names
from cotyle.errors import InputError


class Place(StrEnum):
    """A place, by the words of its marks in the page."""

    COMPARISONS = "real pictures"
    DECISIONS = "decisions"


def read_page(case: Path, place: Place) -> str:
    """Return the report's page of a case, which has a place to fill.

    Raises
    ------
    InputError
        ``report-missing`` if it can't be read, ``report-outdated`` if it has no such place.
    """
    try:
        html = (case / names.REPORT_HTML).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError("report-missing", f"{names.REPORT_HTML} can't be read", "Measure the case again") from error
    with_place(html, place, "")
    return html


def with_place(html: str, place: Place, content: str) -> str:
    """Return the page with other content between the marks of a place.

    Raises
    ------
    InputError
        ``report-outdated`` if the page has no such place.
    """
    begin, end = f"<!-- {place} -->", f"<!-- end of {place} -->"
    if begin not in html or end not in html:
        raise InputError("report-outdated", f"{names.REPORT_HTML} is of an older version", "Measure the case again")
    whole = "\n".join(part for part in (begin, content, end) if part)
    return re.sub(re.escape(begin) + ".*?" + re.escape(end), lambda _: whole, html, count=1, flags=re.DOTALL)
