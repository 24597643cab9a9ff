"""Reading a CT: the one way in for folders and files of every kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cotyle.errors import InputError
from cotyle.image.dicom_scan import DicomScan, scan_dicom
from cotyle.image.image_files import read_image_file
from cotyle.image.image_loader import image_kind
from cotyle.image.repair import rectified, require_one_body
from cotyle.image.series import DicomSeries, group_series
from cotyle.image.series_check import SliceStack, judge_series
from cotyle.image.series_info import SeriesInfo, dicom_info
from cotyle.image.slice_header import looks_like_dicom
from cotyle.image.slice_pixels import same_pixels
from cotyle.image.stack_pixels import read_stack, stack_affine
from cotyle.image.verdict import Finding, SeriesVerdict, Severity, note
from cotyle.image.volume import Volume


@dataclass(frozen=True, eq=False)
class JudgedSeries:
    """A series with its number in the list (from 1), the verdict on it and, if there is one, its stack."""

    number: int
    series: DicomSeries
    verdict: SeriesVerdict
    stack: SliceStack | None


def read_volume(
    path: str | Path, series: int | str | None = None, repair: bool = False, for_planning: bool = False
) -> tuple[Volume, SeriesInfo]:
    """Read a CT as HU.

    Parameters
    ----------
    path:
        A folder of DICOM files (nested, unsorted, of any names), a DICOM file of several frames, or a NIfTI, NRRD
        or MetaImage file.
    series:
        Number in the list that ``cotyle check`` prints (from 1), or a series UID; needed where several could be
        meant. Ignored for files that hold one image.
    repair:
        Whether to fill missing slices, square a tilted gantry and even out spacing, each recorded in the info;
        otherwise such series are refused.
    for_planning:
        Whether to refuse, too, what is too small or too coarse to plan a hip on.

    Returns
    -------
    Volume, SeriesInfo
        Voxels int16 where all HU fit, else float32, in the order they were acquired: see
        :func:`cotyle.image.orient.reoriented`. The axes are at right angles.

    Raises
    ------
    InputError
        With the code of the finding that rules the series out, those of
        :func:`cotyle.image.continuity.require_neighbours`, or ``series-none``, ``series-several``,
        ``series-number``, ``input-missing``, ``image-format`` and those of the readers.
    """
    source = Path(path)
    if is_dicom_source(source):
        scan = scan_dicom(dicom_root(source))
        judged = judge_all(scan, wanted=series)
        return _read_dicom(_chosen(judged, series, repair, scan), repair, for_planning)
    volume, info = read_image_file(source)
    _refuse(SeriesVerdict(info.findings), repair=False, for_planning=for_planning, what=source.name)
    return volume, info


def is_dicom_source(source: Path) -> bool:
    """Whether a path is a folder or a DICOM file; False for other image files.

    Raises
    ------
    InputError
        ``input-missing``, ``input-unreadable`` or ``image-format``.
    """
    if not source.exists():
        raise InputError("input-missing", f"there is no {source.name or source}", "Check the path")
    if source.is_dir():
        return True
    if image_kind(source):
        return False
    try:
        if source.is_file() and looks_like_dicom(source):  # a pipe or a device might never end
            return True
    except OSError as error:
        raise InputError("input-unreadable", f"{source.name} cannot be read", "Check its permissions") from error
    raise InputError(
        "image-format",
        f"{source.name} is no image that can be read",
        "Give a DICOM folder or a .dcm, .nii, .nii.gz, .nrrd, .nhdr, .mha or .mhd file",
    )


def dicom_root(source: Path) -> Path:
    """Return what to walk: the folder beside a DICOMDIR, else the path itself."""
    return source.parent if source.name.upper() == "DICOMDIR" else source


def judge_all(scan: DicomScan, wanted: int | str | None = None) -> tuple[JudgedSeries, ...]:
    """Judge every series of a scan, or, given a number or a UID, only that one (the others stay unjudged).

    Raises
    ------
    InputError
        ``series-none`` if there are no slices at all; ``series-number`` if the wanted one does not exist.
    """
    found = group_series(scan.headers)
    if not found:
        why = f": {scan.why_broken}" if scan.why_broken else ""
        broken = f"; {len(scan.broken)} broken{why}" if scan.broken else ""
        raise InputError(
            "series-none",
            f"there are no DICOM images here ({scan.files} files{broken})",
            "Give the folder of the CT, or an image file itself",
        )
    numbers = range(1, len(found) + 1)
    if wanted is not None:
        numbers_wanted = [n for n in numbers if _is_wanted(found[n - 1], n, wanted)]
        if not numbers_wanted:
            raise InputError(
                "series-number", f"there is no series {wanted}", f"Choose from 1 to {len(found)}, see cotyle check"
            )
    else:
        numbers_wanted = list(numbers)
    return tuple(_judged(n, found[n - 1], scan) for n in numbers_wanted)


def _judged(number: int, series: DicomSeries, scan: DicomScan) -> JudgedSeries:
    verdict, stack = judge_series(series, same_pixels)
    if scan.broken:
        begin = "1 file in the folder begins" if len(scan.broken) == 1 else f"{len(scan.broken)} files here begin"
        why = f" ({scan.why_broken})" if scan.why_broken else ""
        text = f"{begin} as DICOM but cannot be read{why}; slices may be missing at the ends"
        verdict = verdict.having(note("files-broken", text, files=len(scan.broken)))
    return JudgedSeries(number, series, verdict, stack)


def _is_wanted(series: DicomSeries, number: int, wanted: int | str) -> bool:
    return str(wanted) == str(number) or str(wanted) == series.first.series_uid


def _chosen(judged: Sequence[JudgedSeries], wanted: int | str | None, repair: bool, scan: DicomScan) -> JudgedSeries:
    """Return the one series that can be meant; never the first of several."""
    if len(judged) == 1:
        return judged[0]
    if wanted is not None:
        raise _several(judged, "that UID stands for several series")
    plannable = [j for j in judged if j.verdict.plannable]
    readable = [j for j in judged if (j.verdict.repairable if repair else j.verdict.usable)]
    promising = [j for j in judged if j.verdict.repairable and not j.verdict.of(Severity.UNPLANNABLE)]
    for candidates in (plannable if not repair else promising, readable):
        if len(candidates) == 1:
            return candidates[0]
        if candidates:
            raise _several(candidates, f"there are {len(candidates)} series that could be meant")
    if len(promising) == 1:  # refused below, with its own reason
        return promising[0]
    cts = [j for j in judged if j.series.first.modality == "CT" and not j.series.is_scout and len(j.series.slices) > 1]
    if len(cts) == 1:
        return cts[0]
    raise _several(judged, f"none of the {len(judged)} series can be used as it is", unusable=True)


def _several(judged: Sequence[JudgedSeries], what: str, unusable: bool = False) -> InputError:
    listed = "; ".join(_line(j) for j in judged[:6]) + ("; ..." if len(judged) > 6 else "")
    if unusable:
        return InputError("series-none-usable", f"{what}: {listed}", "See cotyle check for the reasons")
    return InputError("series-several", f"{what}: {listed}", "Choose one with --series N")


def _line(judged: JudgedSeries) -> str:
    first = judged.series.first
    description = first.description or "no description"
    bad = judged.verdict.of(Severity.FATAL, Severity.REPAIRABLE)
    reason = f", {bad[0].code}" if bad else ""
    return f"{judged.number}: {description}, {len(judged.series.slices)} slices{reason}"


def _refuse(verdict: SeriesVerdict, repair: bool, for_planning: bool, what: str) -> None:
    """Raise the gravest finding that stands in the way."""
    severities = [Severity.FATAL]
    if for_planning:
        severities.append(Severity.UNPLANNABLE)
    if not repair:
        severities.append(Severity.REPAIRABLE)
    for severity in severities:
        for finding in verdict.of(severity):
            raise as_error(finding, what)


def as_error(finding: Finding, what: str) -> InputError:
    """Return a finding as an error about ``what``."""
    return InputError(finding.code, f"{what}: {finding.text}", finding.remedy)


def _read_dicom(judged: JudgedSeries, repair: bool, for_planning: bool) -> tuple[Volume, SeriesInfo]:
    _refuse(judged.verdict, repair, for_planning, f"series {judged.number}")
    stack = judged.stack
    if stack is None:
        raise AssertionError("a series without a stack has a fatal finding")
    voxels = read_stack(stack)
    if not stack.tilted:
        require_one_body(stack, voxels)
    if stack.tilted or stack.gaps.resample:
        volume, repairs = rectified(stack, voxels)
    else:
        volume, repairs = Volume(voxels, stack_affine(stack)), ()
    unplaced = ("series-no-position", "series-position-nan")
    left_out = sum(int(f.numbers["slices"]) for f in judged.verdict.findings if f.code in unplaced)
    if left_out:
        repairs = (f"{left_out} slice(s) without a position left out", *repairs)
    return volume, dicom_info(stack, volume, judged.verdict, repairs)
