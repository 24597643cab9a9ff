"""Validators that others wrote: dciodvfy and dcentvfy (dicom3tools), dsrdump (dcmtk)."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest

TOOLS = ("dciodvfy", "dcentvfy", "dsrdump")

needs_validators = pytest.mark.skipif(
    not all(map(shutil.which, TOOLS)), reason="dicom3tools and dcmtk are not installed (Debian packages)"
)

JUDGED = {
    "needed to build DICOMDIR": "the study of nobody has no date",
    "Unrecognized defined term = <99COTYLE>": "a private scheme of codes is in no list",
    "COTYLE XRAY GEOMETRY 1": "a private block is in no list",
    "Different information entities for attribute - Element=<AccessionNumber>": "the validator counts it to the series "
    "in some objects and to the study in others",
}
"""Warnings that stay, by a part of their words, and why."""


def complaints(file: Path) -> tuple[list[str], list[str]]:
    """Errors and warnings of dciodvfy about a file."""
    done = subprocess.run(["dciodvfy", "-new", str(file)], capture_output=True, text=True, errors="replace")
    lines = (done.stdout + done.stderr).splitlines()
    assert lines, "the validator said nothing"
    return [line for line in lines if line.startswith("Error")], [line for line in lines if line.startswith("Warning")]


def study_complaints(files: Iterable[Path]) -> list[str]:
    """Errors and warnings of dcentvfy about files of one study: what should be the same in all and isn't."""
    done = subprocess.run(["dcentvfy", *map(str, files)], capture_output=True, text=True, errors="replace")
    return [line for line in (done.stdout + done.stderr).splitlines() if line.startswith(("Error", "Warning"))]


def dumped_report(file: Path) -> str:
    """What dsrdump prints of a structured report; fails if it cannot read it."""
    done = subprocess.run(["dsrdump", "+U8", str(file)], capture_output=True, text=True, errors="replace")
    assert done.returncode == 0, done.stderr
    return done.stdout


def judged(warning: str) -> bool:
    """Whether a warning is one of those that stay."""
    return any(words in warning for words in JUDGED)
