"""The section on running the same again."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cotyle.case.produced_by import produced_by
from cotyle.space.side import Side
from cotyle_sample import Posture, Variant, make_subject, scan, write_series

from tests.cli.test_compare import HOW, png
from tests.reliability.rerun import Difference, differences, run_with_threads
from tests.xray.registration.scenes import take

SEED = 5
SIDE = Side.RIGHT
INTRODUCTION = """## The same again

The synthetic sample of the tests (seed {seed}) is planned, a view is simulated, a synthetic picture is compared with
the plan, and decisions (tolerance, bone) are worked out: by commands in processes of their own, once with 1 thread and
once with {threads}. All files of the cases are compared byte for byte (no PDF is made here), and what the commands
print as JSON, without timings. Where bytes differ, the largest difference of a number (mm, degrees or as its field
says), of a voxel, or of a colour from 0 to 255 is given. The same bytes are promised on one machine with the same
packages, for the same input and options. {made}.
"""

KINDS: dict[str, Callable[[str], bool]] = {
    "JSON printed by commands": lambda name: name.startswith("printed"),
    "JSON files": lambda name: name.endswith(".json"),
    "anatomy (`.npz`), bones and scan (`.nrrd`)": lambda name: name.endswith((".npz", ".nrrd")),
    "surfaces (`.stl`, `.vtp`)": lambda name: name.endswith((".stl", ".vtp")),
    "pictures (`.png`)": lambda name: name.endswith(".png"),
    "DICOM": lambda name: name.endswith(".dcm"),
    "report (`.html`)": lambda name: name.endswith(".html"),
    "others": lambda name: True,
}


def rerun_section(threads: int = 2) -> tuple[str, bool]:
    """Return the section and whether both runs gave the same bytes."""
    with tempfile.TemporaryDirectory(prefix="cotyle-rerun-") as folder:
        base = Path(folder)
        volume, truth = scan(
            make_subject(seed=SEED, variant=Variant.WORN, affected_side=SIDE),
            Posture(6.0, 3.0, -2.0),
            seed=SEED,
            voxel_mm=(1.25, 1.25, 1.5),
        )
        write_series(volume, base / "series", name="test-case")
        picture = png(base / "seen.png", take(volume, truth, SIDE).picture.attenuation)
        for count in (1, threads):
            _run(base / "series", picture, base / str(count), count)
        return section_of(base, threads)


def section_of(base: Path, threads: int) -> tuple[str, bool]:
    """Return the section on runs that lie in folders named by their threads."""
    found = differences(base / "1", base / str(threads))
    rows = ["| files | count | the same bytes | largest difference |", "|---|---:|---:|---:|"]
    rows += [_row(kind, _of_kind(kind, found)) for kind in KINDS if _of_kind(kind, found)]
    broken = [f"- {each.name}" for each in found if not each.same_bytes]
    made = produced_by()
    words = f"Here: Python {made.python}, {made.system}, " + ", ".join(f"{k} {v}" for k, v in made.packages.items())
    text = INTRODUCTION.format(seed=SEED, threads=threads, made=words)
    return "\n".join([text, *rows, "", *broken]) + "\n", not broken


def _run(series: Path, picture: Path, out: Path, threads: int) -> None:
    out.mkdir()
    case = out / "case"
    commands: dict[str, tuple[Any, ...]] = {
        "plan": ("plan", series, "--side", str(SIDE), "--out", case, "--no-pdf"),
        "xray": ("xray", case, "--view", "inlet"),
        "compare": ("compare", case, picture, *HOW, "--cup-diameter", 50),
        "decide": ("decide", case, "--only", "tolerance", "--only", "bone", "--no-pdf"),
    }
    for name, arguments in commands.items():
        printed = run_with_threads(arguments, threads)
        (out / f"printed-{name}.json").write_text(json.dumps(printed, indent=1, sort_keys=True), encoding="utf-8")


def _of_kind(kind: str, found: list[Difference]) -> list[Difference]:
    """Return those of a kind; each file belongs to the first that it fits."""
    return [each for each in found if next(name for name, fits in KINDS.items() if fits(each.name)) == kind]


def _row(kind: str, found: list[Difference]) -> str:
    apart = [each.largest for each in found if not each.same_bytes]
    largest = "" if not apart else "more than numbers" if None in apart else f"{max(a or 0.0 for a in apart):.2g}"
    return f"| {kind} | {len(found)} | {len(found) - len(apart)} | {largest} |"
