"""The tables of codes in docs/methods/dicom_out.md: ``python -m tests.report.dicom.code_table`` prints them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from cotyle.report.dicom import choice_codes, codes, comparison_codes
from cotyle.report.dicom.choice_numbers import OPTIONS_FILE, TOLERANCE_FILE
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.comparison_numbers import COMPARISON_NUMBERS
from cotyle.report.dicom.numbers import ALL_NUMBERS, Number

PAGE = Path(__file__).resolve().parents[3] / "docs" / "methods" / "dicom_out.md"

FILES: dict[str, Mapping[str, tuple[Number, ...]]] = {
    "measurements.json": ALL_NUMBERS,
    "comparison-<n>.json": COMPARISON_NUMBERS,
    "decision/options.json": OPTIONS_FILE,
    "decision/tolerance.json": TOLERANCE_FILE,
}


def all_numbers() -> list[Number]:
    """Every number of every file."""
    return [number for groups in FILES.values() for numbers in groups.values() for number in numbers]


def all_codes() -> list[Code]:
    """Every code that is written."""
    return [*(number.concept for number in all_numbers()), *_bare_codes()]


def number_rows(file: str) -> list[str]:
    rows = []
    for group, numbers in FILES[file].items():
        for number in numbers:
            concept = number.concept
            cells = (
                group,
                f"`{concept.value}`",
                concept.scheme,
                concept.meaning,
                number.unit.value,
                f"`{number.field}`",
            )
            rows.append("| " + " | ".join(cells) + " |")
    return rows


def other_rows() -> list[str]:
    found = {each.value: each for each in _bare_codes() if each.scheme == codes.OWN}
    return [f"| `{code.value}` | {code.meaning} |" for code in found.values()]


def fields_by_code() -> dict[tuple[str, str], dict[str, str]]:
    """(scheme, code) to group to field, as the page says."""
    table: dict[tuple[str, str], dict[str, str]] = {}
    pattern = re.compile(r"^\| ([^|]+) \| `([^`]+)` \| (\S+) \| ([^|]+) \| (\S+) \| `([^`]+)` \|$", re.MULTILINE)
    for group, value, scheme, _, _, field in pattern.findall(PAGE.read_text(encoding="utf-8")):
        table.setdefault((scheme, value), {})[group] = field
    return table


def _bare_codes() -> Iterator[Code]:
    for module in (codes, comparison_codes, choice_codes):
        for value in vars(module).values():
            for each in [value] if isinstance(value, Code) else value.values() if isinstance(value, dict) else []:
                yield from (code for code in (each if isinstance(each, tuple) else (each,)) if isinstance(code, Code))


def _tables() -> str:
    parts = []
    for file in FILES:
        head = f"| group | code | scheme | concept name | unit | field of {file} |\n|---|---|---|---|---|---|"
        parts.append("\n".join([f"### {file}\n", head, *number_rows(file)]))
    parts.append("\n".join(["### Other codes of `99COTYLE`\n", "| code | meaning |\n|---|---|", *other_rows()]))
    return "\n\n".join(parts)


if __name__ == "__main__":
    print(_tables())
