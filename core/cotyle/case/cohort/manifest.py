"""The table that names the cases of a cohort: CSV with a title line.

``name``, ``ct`` and ``side`` must be there; any other title is an option of ``cotyle plan`` without its dashes, such as
``labels``, ``targets``, ``series``, ``diameter``; an empty cell leaves it out. Paths count from the table's own folder.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from dataclasses import dataclass
from pathlib import Path

from cotyle.errors import InputError

NEEDED = ("name", "ct", "side")
PATHS = ("ct", "labels", "label-names", "landmarks", "targets")
OPTIONS = (
    "labels",
    "label-names",
    "landmarks",
    "targets",
    "series",
    "center",
    "diameter",
    "inclination",
    "anteversion",
    "definition",
    "frame",
    "standing-tilt-change",
)
SWITCHES = ("repair",)
MOST_CASES, MOST_BYTES = 100_000, 64 * 2**20
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_YES, _NO = {"yes", "true", "1"}, {"", "no", "false", "0"}


@dataclass(frozen=True)
class Entry:
    """One case: its name, the arguments of ``plan`` without ``--out``, and a digest that changes with any of them."""

    name: str
    arguments: tuple[str, ...]

    @property
    def digest(self) -> str:
        """Sixteen digits of what was asked for."""
        return hashlib.sha256(json.dumps([self.name, *self.arguments]).encode()).hexdigest()[:16]


def read_manifest(path: Path) -> tuple[Entry, ...]:
    """Read the cases of a table.

    Raises
    ------
    InputError
        ``manifest-missing``, ``manifest-unreadable``, ``manifest-titles``, ``manifest-row`` (with the line's number),
        ``manifest-empty``, ``manifest-too-large``.
    """
    if not path.is_file():
        raise InputError("manifest-missing", f"there is no table {path.name}", "Check the path")
    if path.stat().st_size > MOST_BYTES:
        raise InputError("manifest-too-large", f"{path.name} is larger than {MOST_BYTES >> 20} MiB", "Split it")
    try:
        text = path.read_text(encoding="utf-8-sig")
        reader = csv.DictReader(io.StringIO(text), strict=True)
        rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError("manifest-unreadable", f"{path.name} is not a CSV table", "Save it as CSV, UTF-8") from error
    _check_titles(path, list(reader.fieldnames or []) if rows else [])
    if len(rows) > MOST_CASES:
        raise InputError("manifest-too-large", f"{path.name} names more than {MOST_CASES} cases", "Split it")
    entries: dict[str, Entry] = {}
    for number, row in rows:
        entry = _entry(path, number, row)
        # many disks hold one folder for names that differ in capitals alone
        if entry.name.casefold() in entries:
            raise _wrong(path, number, f"the name {entry.name} stands there twice", "Give each case a name of its own")
        entries[entry.name.casefold()] = entry
    return tuple(entries.values())


def _check_titles(path: Path, titles: list[str]) -> None:
    if not titles:
        raise InputError("manifest-empty", f"{path.name} names no case", f"Titles {', '.join(NEEDED)}, then a row each")
    missing = [title for title in NEEDED if title not in titles]
    if missing:
        raise InputError("manifest-titles", f"{path.name} has no column {missing[0]!r}", "Name it in the first line")
    twice = [title for title in titles if titles.count(title) > 1]
    if twice:
        raise InputError("manifest-titles", f"{path.name} has two columns with one title", "Keep one of them")
    known = {*NEEDED, *OPTIONS, *SWITCHES}
    unknown = [title for title in titles if title not in known]
    if unknown:
        raise InputError(
            "manifest-titles",
            f"{path.name} has a column that is no option of plan",
            f"Known: {', '.join(sorted(known))}",
        )


def _entry(path: Path, number: int, row: dict[str, str | None]) -> Entry:
    if None in row or any(value is None for value in row.values()):
        raise _wrong(path, number, "it has another number of cells than the titles", "Count its commas")
    cells = {key: (value or "").strip() for key, value in row.items()}
    if any("\0" in cell for cell in cells.values()):
        raise _wrong(path, number, "it holds a character that no option can hold", "Write it again")
    if not _NAME.fullmatch(cells["name"]):
        raise _wrong(path, number, "its name is not of letters, digits, - and _", "Rename it; no name of a person")
    if cells["side"] not in ("left", "right"):
        raise _wrong(path, number, "its side is neither left nor right", "Give the side; it is never guessed")
    if not cells["ct"]:
        raise _wrong(path, number, "it names no CT", "Give a folder or file")
    arguments = [_from(path, cells["ct"]), f"--side={cells['side']}"]
    for title in OPTIONS:
        value = cells.get(title, "")
        if value:
            arguments.append(f"--{title}={_from(path, value) if title in PATHS else value}")
    for title in SWITCHES:
        value = cells.get(title, "").lower()
        if value not in _YES | _NO:
            raise _wrong(path, number, f"its {title} is neither yes nor no", "Write yes, no or nothing")
        if value in _YES:
            arguments.append(f"--{title}")
    return Entry(cells["name"], tuple(arguments))


def _from(manifest: Path, written: str) -> str:
    return str((manifest.parent / written).absolute())


def _wrong(path: Path, number: int, what: str, remedy: str) -> InputError:
    return InputError("manifest-row", f"{path.name}, line {number}: {what}", remedy)
