"""The table of codes in docs/methods/dicom_out.md: ``python -m tests.report.dicom.code_table`` prints it."""

from __future__ import annotations

import re
from pathlib import Path

from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.numbers import ALL_NUMBERS

PAGE = Path(__file__).resolve().parents[3] / "docs" / "methods" / "dicom_out.md"


def number_rows() -> list[str]:
    rows = []
    for group, numbers in ALL_NUMBERS.items():
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
    found: dict[str, Code] = {}
    for value in vars(codes).values():
        for code in [value] if isinstance(value, Code) else value.values() if isinstance(value, dict) else []:
            each = code[0] if isinstance(code, tuple) else code
            if isinstance(each, Code) and each.scheme == codes.OWN:
                found[each.value] = each
    return [f"| `{code.value}` | {code.meaning} |" for code in found.values()]


def fields_by_code() -> dict[tuple[str, str], dict[str, str]]:
    """(scheme, code) to group to field, as the page says."""
    table: dict[tuple[str, str], dict[str, str]] = {}
    pattern = re.compile(r"^\| ([^|]+) \| `([^`]+)` \| (\S+) \| ([^|]+) \| (\S+) \| `([^`]+)` \|$", re.MULTILINE)
    for group, value, scheme, _, _, field in pattern.findall(PAGE.read_text(encoding="utf-8")):
        table.setdefault((scheme, value), {})[group] = field
    return table


if __name__ == "__main__":
    print("| group | code | scheme | concept name | unit | field of measurements.json |\n|---|---|---|---|---|---|")
    print("\n".join(number_rows()))
    print("\n| code | meaning |\n|---|---|")
    print("\n".join(other_rows()))
