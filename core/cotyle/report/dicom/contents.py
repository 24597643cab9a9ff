"""What a case holds of the parts that are to be written as DICOM, read at once."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.comparison_file import ComparisonFile
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.measurements import Measurements
from cotyle.case.store import StoredCase, read_case
from cotyle.errors import InputError
from cotyle.image.label_files import load_label_file
from cotyle.image.labels import BONE_LABELS
from cotyle.image.volume import Volume
from cotyle.report.comparison_page import comparison_files
from cotyle.report.decision.store import stored_decisions
from cotyle.report.dicom.choice_report import WRITTEN
from cotyle.report.dicom.compared_pictures import DrawnPicture, read_drawn
from cotyle.report.dicom.pictures import StoredPicture, read_picture
from cotyle.report.meshes import cavity_stl

LeftOut = tuple[tuple[str, str], ...]
"""(part, why) of what a case does not hold."""


@dataclass(frozen=True, eq=False)
class Contents:
    """What a case holds of the parts that are wanted; empty or None where it holds none.

    ``comparisons`` are told in any case: the report shows their pictures. ``left_out`` says why a part is empty that a
    case usually has; comparisons and decisions many cases don't have.
    """

    stored: StoredCase
    measured: Measurements
    labels: Volume | None
    views: tuple[StoredPicture, ...]
    comparisons: Mapping[int, ComparisonFile]
    drawn: tuple[DrawnPicture, ...]
    decisions: Mapping[str, DecisionFacts]
    report: bytes | None
    surfaces: Mapping[str, bytes]
    left_out: LeftOut

    def why_nothing_of(self, part: str) -> str:
        """Return why there is nothing of a part; empty where there is something."""
        empty = {
            "views": not self.views,
            "comparisons": not self.comparisons,
            "decisions": not self.decisions,
            "report": self.report is None,
            "surfaces": not self.surfaces,
        }
        if not empty.get(part, False):
            return ""
        usual = {
            "comparisons": "no picture was compared",
            "decisions": "no options and no tolerance were worked out for its plan",
        }
        return usual.get(part) or next(why for name, why in self.left_out if name == part)


def read_contents(case: Path, parts: Collection[str]) -> Contents:
    """Read those parts of a case.

    Raises
    ------
    InputError
        Those of reading a case and its files.
    """
    stored = read_case(case)
    views, no_views = _views(case / names.XRAY) if "views" in parts else ((), ())
    report, surfaces = case / names.REPORT_PDF, _surfaces(case / names.MESH) if "surfaces" in parts else {}
    comparisons = comparison_files(case)
    decisions = stored_decisions(case) if "decisions" in parts else {}
    has_report = "report" in parts and report.is_file()
    left_out = list(no_views)
    if "report" in parts and not has_report:
        left_out.append(("report", f"the case holds no {names.REPORT_PDF}"))
    if "surfaces" in parts and not surfaces:
        left_out.append(("surfaces", "the case holds no surfaces"))
    return Contents(
        stored,
        Measurements.read(case / names.MEASUREMENTS),
        load_label_file(case / names.BONES).labels if "segmentation" in parts else None,
        views,
        comparisons,
        read_drawn(case, comparisons) if "comparisons" in parts else (),
        {name: facts for name, facts in decisions.items() if name in WRITTEN},
        report.read_bytes() if has_report else None,
        surfaces,
        tuple(left_out),
    )


def _views(folder: Path) -> tuple[tuple[StoredPicture, ...], LeftOut]:
    """Return the simulated views, and why some are left out: an older case's do not say where the tube was."""
    found: list[StoredPicture] = []
    left_out: list[tuple[str, str]] = []
    files = sorted(folder.glob("*.dcm"))
    for file in files:
        try:
            found.append(read_picture(file))
        except InputError as error:
            if error.code != "view-no-geometry":
                raise
            left_out.append(("views", error.what))
    if not files:
        left_out.append(("views", "the case holds no simulated views"))
    return tuple(found), tuple(left_out)


def _surfaces(folder: Path) -> dict[str, bytes]:
    files = {name: folder / f"{name}.stl" for name in (*BONE_LABELS.values(), "cup")}
    contents = {name: file.read_bytes() for name, file in files.items() if file.is_file()}
    if (folder / "cavity.vtp").is_file():
        contents["cavity"] = cavity_stl(folder / "cavity.vtp")
    return contents
