"""The cohort's folder: rows that are done, and the table of all, as CSV and as Parquet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from cotyle import __version__
from cotyle.case.cohort.manifest import Entry
from cotyle.case.cohort.one_case import CASES
from cotyle.case.cohort.row import Cell, Outcome, Row
from cotyle.errors import InputError
from cotyle.files import atomic_path, write_text_atomically

ROWS, CSV, PARQUET = "rows", "cohort.csv", "cohort.parquet"
_OWN = {ROWS, CASES, CSV, PARQUET}


def require_parquet() -> None:
    """Raise InputError ``cohort-extra`` where the library that writes Parquet is not there."""
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError as error:
        raise InputError(
            "cohort-extra", "cohorts need packages that are not installed", "pip install '.[cohort]' in Cotyle's folder"
        ) from error


def require_cohort_folder(out: Path) -> None:
    """Raise InputError ``output-not-a-cohort`` unless a folder is new, empty, or a cohort's."""
    if not out.exists():
        return
    if not out.is_dir() or {each.name for each in out.iterdir() if not each.name.startswith(".cotyle")} - _OWN:
        raise InputError("output-not-a-cohort", f"{out.name} holds other files", "Choose a new or empty folder")


def keep(out: Path, row: Row) -> None:
    """Write a row that is done, whole or not at all."""
    row.write(out / ROWS / f"{row.name}.json")


def kept(out: Path, entries: Sequence[Entry], again: bool) -> dict[str, Row]:
    """Return the rows that need not be worked out again, by name.

    A row counts if it was made by this version from what is asked for now; failed ones never do, refused ones not if
    ``again`` is set.
    """
    found = {}
    for entry in entries:
        path = out / ROWS / f"{entry.name}.json"
        try:
            row = Row.read(path) if path.is_file() else None
        except InputError:  # of another version, or damaged
            row = None
        if row is None or row.digest != entry.digest or row.software != f"cotyle {__version__}":
            continue
        if row.outcome is Outcome.PLANNED or (row.outcome is Outcome.REFUSED and not again):
            found[entry.name] = row
    return found


def write_table(out: Path, rows: Sequence[Row]) -> None:
    """Write the rows as CSV and as Parquet, in their order, each file whole or not at all."""
    import pyarrow as pa
    from pyarrow import parquet

    lines = [row.cells() for row in rows]
    titles = list(dict.fromkeys(title for line in lines for title in line))
    text = io.StringIO()
    writer = csv.DictWriter(text, titles, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in line.items()} for line in lines)
    write_text_atomically(out / CSV, text.getvalue())
    columns = {title: _column([line.get(title) for line in lines]) for title in titles}
    with atomic_path(out / PARQUET) as path:
        parquet.write_table(pa.table(columns), path)


def _cell(value: Cell) -> Cell:
    return "" if value is None else ("true" if value else "false") if isinstance(value, bool) else value


def _column(values: list[Cell]) -> list[Cell]:
    """Return a column of one type: numbers, truths, or words where they are mixed."""
    kinds = {type(value) for value in values if value is not None}
    if len(kinds) <= 1:
        return values
    return [None if value is None else str(_cell(value)) for value in values]
