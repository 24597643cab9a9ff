"""What is still to be asked of a real picture before it can be compared: what neither its file nor its user said.

None of it is ever guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from cotyle.case.distortion_file import KnownDistortion
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.pictures.usual_view import usual_view


class Question(StrEnum):
    """What may be open; each is a field of :class:`~cotyle.xray.pictures.picture_file.Told` but for the frame."""

    FRAME = "frame"
    POLARITY = "polarity"
    PATIENT_ORIENTATION = "patient_orientation"
    PIXEL_PITCH_MM = "pixel_pitch_mm"
    TUBE = "tube"
    SOURCE_DETECTOR_MM = "source_detector_mm"
    SOURCE_ISOCENTER_MM = "source_isocenter_mm"


QUESTION_WORDS = {
    Question.FRAME: "which of its frames",
    Question.POLARITY: "whether bone is shown light or dark",
    Question.PATIENT_ORIENTATION: "which way the picture is shown",
    Question.PIXEL_PITCH_MM: "the size of a pixel on the detector, mm",
    Question.TUBE: "where the tube stood",
    Question.SOURCE_DETECTOR_MM: "the distance from source to detector, mm",
    Question.SOURCE_ISOCENTER_MM: "the distance from source to isocentre, mm",
}
_ASKED_BY_READING = {
    "picture-frames": Question.FRAME,
    "picture-polarity": Question.POLARITY,
}


@dataclass(frozen=True, eq=False)
class PictureSoFar:
    """A picture as far as it can be read: in its usual view where that is known, None where it can't be read yet.

    ``open`` in the order in which to ask; ``why`` is what reading it said of the first. ``to_file`` (2x3) takes pixels
    of the usual view (column, row, 1) to those of the file, straightened where a grid was given; None where that view
    isn't known.
    """

    radiograph: Radiograph | None
    open: tuple[Question, ...]
    why: str = ""
    to_file: Array | None = None


def picture_so_far(
    path: Path, frame: int | None, told: Told, distortion: KnownDistortion | None = None
) -> PictureSoFar:
    """Read a picture with what was told of it, straightened by a grid where one is given; say what is still open.

    Raises
    ------
    InputError
        Those of :func:`~cotyle.xray.pictures.picture_file.read_radiograph` that no answer can mend, ``grid-size``.
    """
    try:
        picture = read_radiograph(path, frame, told)
    except InputError as error:
        question = _ASKED_BY_READING.get(error.code)
        if question is None:
            raise
        return PictureSoFar(None, (question,), error.what)
    if distortion is not None:
        picture = distortion.straightened(picture)
    known = picture.geometry
    open_questions = [
        question
        for question in (
            Question.PIXEL_PITCH_MM,
            Question.TUBE,
            Question.SOURCE_DETECTOR_MM,
            Question.SOURCE_ISOCENTER_MM,
        )
        if getattr(known, question) is None
    ]
    try:
        usual, to_file = usual_view(picture)
    except InputError as error:
        return PictureSoFar(picture, (Question.PATIENT_ORIENTATION, *open_questions), error.what)
    return PictureSoFar(usual, tuple(open_questions), to_file=to_file)
