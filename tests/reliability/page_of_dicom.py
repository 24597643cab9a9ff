"""The section on DICOM objects: a sample case is planned and exported both ways, and validators of others judge it."""

from __future__ import annotations

import subprocess
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from cotyle.case.anatomy_file import read_scan_copy
from cotyle.cli.main import run
from cotyle.image.label_files import load_label_file, read_labels
from cotyle.image.read import read_volume
from cotyle.image.volume import Volume
from cotyle.report.dicom.export import export_case
from cotyle.space.side import Side
from cotyle_sample import Posture, Variant, make_subject, scan, write_series

from tests.cli.test_compare import GEOMETRY, SHOWN
from tests.reliability.dicom_readers import REPORTS, Reading, readings
from tests.report.dicom.validators import JUDGED, complaints, dumped_report, judged, study_complaints
from tests.xray.pictures.makers import dicom, saved
from tests.xray.registration.scenes import take

INTRODUCTION = """## Results as DICOM

A synthetic case is planned, compared with a picture of a cup made by the reference projector, asked for options and
tolerance, and exported twice: into a study of nobody, and into the study of its (made-up) patient, with the picture.
Every object goes through `dciodvfy` (dicom3tools {version}), each study through `dcentvfy`, the reports
through `dsrdump` (dcmtk). [How and what](methods/dicom_out.md).
"""

READERS = """The objects of nobody's study opened by readers that are not ours and did not write them: how many of how
many things came out as the files of the case hold them. Numbers of reports are held against what pydicom reads in the
same object, and that, in the tests, against the files of the case.
"""


def dicom_section() -> tuple[str, bool]:
    """Return the section and whether no validator found an error and all came back."""
    with tempfile.TemporaryDirectory() as place:
        return _section(Path(place))


def _section(place: Path) -> tuple[str, bool]:
    series, case = place / "ct", place / "case"
    volume, truth = scan(
        make_subject(seed=5, variant=Variant.WORN, affected_side=Side.RIGHT),
        Posture(6.0, 3.0, -2.0),
        seed=5,
        voxel_mm=(1.25, 1.25, 1.5),
    )
    write_series(volume, series, name="test-case")
    assert run(["plan", str(series), "--side", "right", "--out", str(case)]) == 0
    picture = _picture(volume, truth, series, place / "picture.dcm")
    how = ["--view", "ap_hip", *map(str, GEOMETRY), *SHOWN, "--cup-diameter", "50"]
    assert run(["compare", str(case), str(picture), *how]) == 0
    assert run(["decide", str(case), "--only", "options,tolerance"]) == 0
    nobody, patient, again = (place / name for name in ("nobody", "patient", "again"))
    export_case(case, nobody)
    export_case(case, again)
    export_case(case, patient, series, pictures=[picture])
    rows, counts = _table({"nobody": nobody, "patient": patient})
    of_study = [line for folder in (nobody, patient) for line in study_complaints(sorted(folder.iterdir()))]
    for report in REPORTS:
        dumped_report(nobody / report)
    read, absent = readings(nobody, case)
    same = _same_bytes(nobody, again)
    labels = _labels_come_back(case, nobody, patient, series)
    named = _named(nobody, series) + _named(nobody, place, "picture.dcm")
    unjudged = counts["warnings not judged"] + sum(not judged(line) for line in of_study)
    good = not (counts["errors"] or unjudged or named) and same[0] == same[1] and labels
    good = good and all(each.good for each in read)
    facts = (
        f"{counts['objects']} objects: errors {counts['errors']}, warnings beyond the known ones below {unjudged}. "
        f"Written twice, {same[0]} of {same[1]} files are the same byte for byte. The bones come back voxel for voxel "
        f"through our own reader of labels, on both scans: {'yes' if labels else '**no**'}. Files of nobody's study "
        f"that hold name, number or a UID of the patient: {named}.\n"
    )
    known = "".join(f"- `{words}`: {why}\n" for words, why in JUDGED.items())
    head = INTRODUCTION.format(version=_version())
    by_others = f"{READERS}\n{_read_by_others(read, absent)}"
    return f"{head}\n{facts}\n{rows}\nWarnings that stay, and why:\n\n{known}\n{by_others}", good


def _picture(volume: Volume, truth: Any, series: Path, path: Path) -> Path:
    """Write a picture of a cup in the hip as a DICOM object of the series' patient."""
    whose = pydicom.dcmread(next(series.glob("*.dcm")), stop_before_pixels=True)
    identity = {name: whose.get(name) for name in ("PatientName", "PatientID", "PatientBirthDate")}
    seen = take(volume, truth, Side.RIGHT).picture.attenuation
    grey = (65535 * np.clip(seen / np.percentile(seen, 99.9), 0, 1)).astype(np.uint16)
    return saved(dicom(grey, "OT", **identity), path)


def _read_by_others(read: Sequence[Reading], absent: Sequence[str]) -> str:
    rows = ["| objects | reader | what | agree | of |", "|---|---|---|---:|---:|"]
    rows += [f"| {each.objects} | {each.reader} | {each.compared} | {each.agree} | {each.of} |" for each in read]
    missing = f"\nNot installed, and not tried: {', '.join(absent)}.\n" if absent else ""
    return "\n".join(rows) + "\n" + missing


def _table(folders: dict[str, Path]) -> tuple[str, Counter[str]]:
    counts: Counter[str] = Counter()
    rows = ["| study of | object | files | errors | warnings |", "|---|---|---:|---:|---:|"]
    for whose, folder in folders.items():
        by_kind: dict[str, list[Path]] = {}
        for file in sorted(folder.iterdir()):
            kind = pydicom.dcmread(file, stop_before_pixels=True).SOPClassUID.name.removesuffix(" Storage")
            by_kind.setdefault(kind, []).append(file)
        for kind, files in by_kind.items():
            found = [complaints(file) for file in files]
            errors, warnings = (sum(len(each[n]) for each in found) for n in (0, 1))
            counts += Counter(
                {
                    "objects": len(files),
                    "errors": errors,
                    "warnings not judged": sum(not judged(line) for _, lines in found for line in lines),
                }
            )
            rows.append(f"| {whose} | {kind} | {len(files)} | {errors} | {warnings} |")
    return "\n".join(rows) + "\n", counts


def _same_bytes(one: Path, other: Path) -> tuple[int, int]:
    names = sorted({file.name for folder in (one, other) for file in folder.iterdir()})
    alike = [name for name in names if _content(one / name) == _content(other / name)]
    return len(alike), len(names)


def _content(file: Path) -> bytes | None:
    return file.read_bytes() if file.is_file() else None


def _labels_come_back(case: Path, nobody: Path, patient: Path, series: Path) -> bool:
    labels = load_label_file(case / "bones.nrrd").labels
    whole, _ = read_volume(series)
    on_series = read_labels(patient / "segmentation.dcm", whole)
    kept = read_scan_copy(case / "ct.nrrd")
    on_copy = read_labels(nobody / "segmentation.dcm", kept)
    i, j, k = (round(value) for value in labels.to_ijk(kept.to_lps([0, 0, 0])))
    n, m, o = kept.size
    part = labels.voxels[k : k + o, j : j + m, i : i + n]
    return bool((on_series.voxels == labels.voxels).all() and (on_copy.voxels == part).all())


def _named(nobody: Path, series: Path, pattern: str = "*.dcm") -> int:
    header = pydicom.dcmread(next(series.glob(pattern)), stop_before_pixels=True)
    words = ("PatientName", "PatientID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID")
    secrets = [str(header[name].value).encode() for name in words if name in header]
    return sum(any(secret in file.read_bytes() for secret in secrets) for file in nobody.iterdir())


def _version() -> str:
    done = subprocess.run(["dpkg-query", "-W", "-f=${Version}", "dicom3tools"], capture_output=True, text=True)
    return done.stdout or "of unknown version"
