"""The section on privacy and the network: the tests of both, run once more and counted."""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path
from xml.etree import ElementTree

from tests.identity import SECRETS

ROOT = Path(__file__).resolve().parents[2]
FILES = ("tests/test_network_block.py", "tests/test_identity.py", "tests/reliability/test_privacy.py")

INTRODUCTION = """## Privacy and network

A made-up patient ({secrets} words: names in Latin, Chinese characters and Hangul, numbers, dates, places, physicians)
stands in every header of the CT and of the picture, in private fields, and in the names of files and folders. Then
every byte that comes out is searched: all files of the case and their names, what is printed on both outputs, the
viewer's draft; inside gzip, zlib (PNG, PDF, NRRD), zip and data URIs, and in what a PDF shows; in UTF-8, 16 and 32,
Latin-1, Shift JIS, EUC-JP, ISO-2022-JP, EUC-KR, GB 18030, Big5, and escaped for JSON, HTML and URLs. On the terminal
alone the last part of a path may be repeated where it was typed. The whole test
suite runs with connections to other machines refused in every Python process; each attempt, even one whose failure is
swallowed, is noted and fails the run.
"""


def privacy_section() -> tuple[str, bool]:
    """Return the section and whether no trace came out and nothing reached for the network."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "report.xml")
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-n0",
            "-p",
            "no:cacheprovider",
            f"--junit-xml={report}",
            *FILES,
        ]
        subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        cases = list(ElementTree.parse(report).iter("testcase"))
    tally: dict[str, list[int]] = {}
    for case in cases:
        words = re.sub(r"\[.*\]$", "", str(case.get("name"))).removeprefix("test_").replace("_", " ")
        failed = any(child.tag in {"failure", "error"} for child in case)
        skipped = any(child.tag == "skipped" for child in case)
        row = tally.setdefault(words, [0, 0, 0])
        row[0 if not failed and not skipped else 1 if failed else 2] += 1
    rows = ["| what was tried | held | broken | not run |", "|---|---:|---:|---:|"]
    rows += [f"| {words} | {held} | {broken} | {skipped} |" for words, (held, broken, skipped) in tally.items()]
    good = bool(cases) and not any(broken for _, broken, _ in tally.values())
    return f"{INTRODUCTION.format(secrets=len(SECRETS))}\n" + "\n".join(rows) + "\n", good
