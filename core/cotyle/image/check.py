"""What is in a folder or file, and can a hip be planned on it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.image.dicom_scan import scan_dicom
from cotyle.image.image_files import read_image_file
from cotyle.image.read import JudgedSeries, dicom_root, is_dicom_source, judge_all
from cotyle.image.verdict import SeriesVerdict, Severity


@dataclass(frozen=True)
class SeriesReport:
    """One row of ``cotyle check``; holds nothing of the patient's identity.

    ``number`` is what ``--series`` takes; ``extent_mm`` runs left-right, front-back, up-down.
    """

    number: int
    kind: str
    description: str
    modality: str
    slices: int
    size: tuple[int, int]
    spacing_mm: tuple[float, float, float] | None
    extent_mm: tuple[float, float, float] | None
    verdict: SeriesVerdict

    @property
    def plannable(self) -> bool:
        """Whether it can be planned on as it is, as far as size and geometry tell; bones are looked for later."""
        return self.verdict.plannable

    @property
    def reasons(self) -> tuple[str, ...]:
        """All findings in words, the gravest first."""
        order = (Severity.FATAL, Severity.UNPLANNABLE, Severity.REPAIRABLE, Severity.DOUBT, Severity.NOTE)
        return tuple(finding.text for severity in order for finding in self.verdict.of(severity))

    def row(self) -> tuple[str, ...]:
        """Return number, description, slices, spacing, extent, verdict and reasons as texts for a table."""
        spacing = " x ".join(f"{s:.3g}" for s in self.spacing_mm) if self.spacing_mm else "-"
        extent = " x ".join(f"{e:.0f}" for e in self.extent_mm) if self.extent_mm else "-"
        word = "can be planned on" if self.plannable else self.verdict.word
        return (
            str(self.number),
            f"{self.modality} {self.description}".strip() or self.kind,
            str(self.slices),
            spacing,
            extent,
            word,
            "; ".join(self.reasons),
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "number": self.number,
            "kind": self.kind,
            "description": self.description,
            "modality": self.modality,
            "slices": self.slices,
            "size": list(self.size),
            "spacing_mm": list(self.spacing_mm) if self.spacing_mm else None,
            "extent_mm": list(self.extent_mm) if self.extent_mm else None,
            "verdict": self.verdict.word,
            "plannable": self.plannable,
            "repairable": self.verdict.repairable,
            "findings": [finding.as_dict() for finding in self.verdict.findings],
        }


ROW_TITLES = ("no.", "series", "slices", "spacing mm", "extent mm", "verdict", "reasons")


def describe(path: str | Path) -> list[SeriesReport]:
    """List the series in a folder, or the image in a file, each with a verdict.

    Raises
    ------
    InputError
        ``input-missing``, ``image-format``, ``series-none`` and those of the file readers.
    """
    source = Path(path)
    if is_dicom_source(source):
        return [_dicom_report(judged) for judged in judge_all(scan_dicom(dicom_root(source)))]
    volume, info = read_image_file(source)
    i, j, k = (round(float(n), 3) for n in abs(volume.ijk_to_lps[:3, :3]) @ volume.size)
    return [
        SeriesReport(
            1, info.kind, "", "", info.slices, info.size[:2], info.voxel_mm, (i, j, k), SeriesVerdict(info.findings)
        )
    ]


def _dicom_report(judged: JudgedSeries) -> SeriesReport:
    first, stack = judged.series.first, judged.stack
    extent = tuple(round(float(e), 3) for e in stack.extent_mm) if stack else None
    return SeriesReport(
        number=judged.number,
        kind="dicom",
        description=first.description,
        modality=first.modality,
        slices=len(judged.series.slices),
        size=(first.columns, first.rows),
        spacing_mm=stack.spacing_mm if stack else None,
        extent_mm=(extent[0], extent[1], extent[2]) if extent else None,
        verdict=judged.verdict,
    )
