"""Pictures of a comparison as DICOM Secondary Capture, and the X-ray pictures themselves, found again by their digest.

Their pixels hold parts of a real X-ray picture. Text burnt into it is masked where the reader of pictures finds it, but
nobody can promise that none is left: no object says that it bears no burnt-in annotation.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image
from pydicom.dataset import Dataset

from cotyle.case import folder as names
from cotyle.case.comparison_file import ComparisonFile, PoseFacts
from cotyle.errors import InputError
from cotyle.image.series_info import uid_digest
from cotyle.report.comparison_page import VERDICT_WORDS, picture_caption
from cotyle.report.dicom.pictures import Capture, capture_object
from cotyle.report.dicom.study import Series, Study, read_header
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.patient_mark import mark_of, require_one_patient

KINDS = ("overlay", "simulated", "difference")
"""Pictures that are written; the one that blinks holds nothing that these don't show."""

_DERIVED = {
    "overlay": "Outlines of planned and found cup drawn on an X-ray picture",
    "simulated": "SIMULATED from a CT in the pose of an X-ray picture",
    "difference": "X-ray picture minus the one simulated from a CT",
}
_MOST_PIXELS = 4096 * 4096


@dataclass(frozen=True, eq=False)
class DrawnPicture:
    """A picture of a comparison: numbers of both, from 1, what it shows, and RGB (rows, columns, 3)."""

    comparison: int
    view: int
    kind: str
    pixels: npt.NDArray[np.uint8]

    @property
    def name(self) -> str:
        """Its name in the case."""
        return f"comparison-{self.comparison}-{self.view}-{self.kind}"


def read_drawn(case: Path, comparisons: Mapping[int, ComparisonFile]) -> tuple[DrawnPicture, ...]:
    """Return the pictures of all comparisons, in their order.

    Raises
    ------
    InputError
        ``picture-damaged``.
    """
    return tuple(
        DrawnPicture(number, view, kind, _pixels(path))
        for number, file in sorted(comparisons.items())
        for view in range(1, len(file.views) + 1)
        for kind in KINDS
        if (path := case / names.FIGURES / f"comparison-{number}-{view}-{kind}.png").is_file()
    )


def pose_of(view: PoseFacts) -> CArm | None:
    """Return source and detector of a view, None where they are not known or the size of the picture isn't."""
    known = view.picture
    places = (view.source_lps_mm, view.detector_origin_lps_mm, view.column_direction_lps, view.row_direction_lps)
    if known is None or any(each is None for each in places):
        return None
    source, origin, column, row = (np.array(each, dtype=float) for each in places)
    return CArm(source, origin, column, row, view.pixel_pitch_mm, known.size, known.tube)


def drawn_object(
    drawn: DrawnPicture, file: ComparisonFile, study: Study, number: int, sources: Sequence[Dataset]
) -> Dataset:
    """Return the Secondary Capture of a picture; ``sources``: the images it was made from, as far as they are told."""
    view = file.views[drawn.view - 1]
    pose = pose_of(view)
    rows, columns = drawn.pixels.shape[:2]
    words = f"Comparison {drawn.comparison}, picture {drawn.view}, {view.view.replace('_', ' ')}"
    capture = Capture(
        pixels=drawn.pixels,
        comments=f"{words}: {picture_caption(drawn.name, file)} {VERDICT_WORDS[file.verdict]}. {file.caution}",
        derivation=_DERIVED[drawn.kind],
        carm=None if pose is None else pose.resized((columns, rows)),
        may_bear_text=drawn.kind != "simulated",
    )
    return capture_object(capture, study, Series.COMPARISON_PICTURES, number, sources)


def given_pictures(
    paths: Sequence[Path], comparisons: Mapping[int, ComparisonFile], ct_header: Dataset
) -> dict[str, Dataset]:
    """Return headers of X-ray pictures, without pixels, by the digest under which comparisons know them.

    Raises
    ------
    InputError
        ``picture-unknown``, ``pictures-two-patients``, ``source-damaged``.
    """
    known = set(_digests(comparisons))
    found: dict[str, Dataset] = {}
    marks = {"the CT": mark_of(ct_header)}
    for number, path in enumerate(paths, 1):
        name = f"picture {number}"
        header = read_header(path, name)
        digest = uid_digest(str(header.get("SOPInstanceUID") or ""))
        if digest not in known or not (header.get("StudyInstanceUID") and header.get("SeriesInstanceUID")):
            raise InputError(
                "picture-unknown", f"{name} is none that was compared in this case", "Give the file that was compared"
            )
        marks[name] = mark_of(header)
        found[digest] = header
    require_one_patient(marks)
    return found


def _digests(comparisons: Mapping[int, ComparisonFile]) -> Iterator[str]:
    for file in comparisons.values():
        for view in file.views:
            if view.picture is not None and view.picture.digest:
                yield view.picture.digest


def _pixels(path: Path) -> npt.NDArray[np.uint8]:
    try:
        with Image.open(io.BytesIO(path.read_bytes()), formats=("PNG",)) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                raise ValueError("too large")
            return np.asarray(picture.convert("RGB"))
    except Exception as error:  # a broken file raises anything
        raise InputError("picture-damaged", f"{path.name} cannot be read", "Compare the pictures again") from error
