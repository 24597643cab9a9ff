"""Pages that several runs write a part of."""

from __future__ import annotations

from pathlib import Path

from cotyle.files import write_text_atomically


def write_part(path: Path, title: str, name: str, part: str) -> None:
    """Put a run's part in its place on a page, at the end where it has none; a page that isn't there gets the title."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    text = path.read_text(encoding="utf-8") if path.is_file() else f"# {title}\n"
    marked = f"{begin}\n{part.strip()}\n\n{end}"
    if begin in text:
        head, rest = text.split(begin, 1)
        text = head + marked + rest.split(end, 1)[1]
    else:
        text = f"{text.rstrip()}\n\n{marked}\n"
    write_text_atomically(path, text)
