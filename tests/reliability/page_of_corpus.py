"""The section on files that others wrote."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import defaultdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

LONGEST_S, HANG_S = 10.0, 60.0  # of the processor; by the clock of a busy machine
MOST_MIB = 2048.0
SHOWN = 5

INTRODUCTION = """## Files that others wrote

All data files that pydicom {pydicom} and pydicom-data {data} install, {count} of them, DICOM and not; none is fetched,
and the run has no network. Each is read in three ways: `cotyle check`, as a CT with every repair, and as an X-ray
picture. It must end in a result or in one line with a stable code, within 10 s of the processor and 2 GiB, and leave
no file.
"""


def corpus_section() -> tuple[str, bool]:
    """Return the section and whether every file ended as it must."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.reliability.corpus"], capture_output=True, text=True, check=True,
        cwd=Path(__file__).resolve().parents[2],
    )  # fmt: skip
    *lines, last = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    ways: dict[str, dict[str, dict[str, Any]]] = defaultdict(dict)
    for line in lines:
        ways[line["file"]][line["way"]] = line
    faults = [line for line in lines if line["end"].startswith("fault")]
    two_lines = [line for line in lines if line["end"] != "result" and "\n" in line["line"]]
    slowest = max(lines, key=lambda line: line["work_s"])
    longest_s = max(line["seconds"] for line in lines)
    good = not (faults or two_lines or last["left"] or last["changed"])
    good = good and slowest["work_s"] <= LONGEST_S and longest_s <= HANG_S and last["peak_mib"] <= MOST_MIB
    facts = (
        f"{len(ways)} of {len(ways)} files ended so: tracebacks {len(faults)}, messages of more than one line "
        f"{len(two_lines)}, files left {len(last['left'])}. Most work: {slowest['work_s']:.1f} s ({slowest['file']} as "
        f"{slowest['way']}); longest wait, on a machine busy with other things: {longest_s:.1f} s. Most memory of the "
        f"run, or of a child of it: {last['peak_mib']:.0f} MiB.\n"
    )
    if not good:
        facts = f"**Not as it must be**: {faults} {two_lines} {last} {slowest}\n"
    head = INTRODUCTION.format(pydicom=version("pydicom"), data=_version("pydicom-data"), count=len(ways))
    return f"{head}\n{facts}\n{_table(ways)}", good


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "(not installed)"


def _table(ways: dict[str, dict[str, dict[str, Any]]]) -> str:
    groups: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for file, by_way in ways.items():
        groups[tuple(by_way[way]["end"] for way in ("check", "ct", "picture"))].append(file)
    rows = ["| check | as a CT | as a picture | files | such as |", "|---|---|---|---:|---|"]
    for ends, files in sorted(groups.items(), key=lambda item: -len(item[1])):
        names = ", ".join(f"`{name.split('/')[-1]}`" for name in files[:SHOWN]) + (", ..." if files[SHOWN:] else "")
        cells = [end if end == "result" else f"`{end}`" for end in ends]
        rows.append("| " + " | ".join([*cells, str(len(files)), names]) + " |")
    return "\n".join(rows) + "\n"
