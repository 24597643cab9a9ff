"""Real pictures as they were sent to the page: what was answered about each, what was clicked on it, what is open.

What a file is called may name a patient: its name is neither shown nor kept. Points are kept in the pixels of the file,
so that they stay where they are in the body when the picture is turned.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from cotyle.case.distortion_file import KnownDistortion, read_distortion
from cotyle.case.picture_questions import QUESTION_WORDS, PictureSoFar, Question, picture_so_far
from cotyle.errors import InputError
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.patient_mark import PatientMark, require_one_patient
from cotyle.xray.pictures.picture_file import Told
from cotyle.xray.pictures.region import region_between, region_of, region_text
from cotyle.xray.views import ViewName

if TYPE_CHECKING:
    from cotyle.case.picture_start import PictureOfView

RIM, SPHERE, CORNERS = "rim", "sphere", "corners"
PRIMARY, SECONDARY = "primary_deg", "secondary_deg"
SPHERE_MM, SPHERE_DEPTH_MM = "sphere_diameter_mm", "sphere_depth_mm"
REGION = "region"
MANY = (RIM, SPHERE, CORNERS)
"""What is clicked by several points; all else is one place."""
LEAST_OUTLINE = 3
OTHER_WORDS = {
    PRIMARY: "the machine's angle to the patient's left, deg",
    SECONDARY: "the machine's angle to the head, deg",
    SPHERE_MM: "the diameter of the ball, mm",
    SPHERE_DEPTH_MM: "from the source to the ball, mm",
}
Pixel = tuple[float, float]
Found = TypeVar("Found")


@dataclass(frozen=True, eq=False)
class Sent:
    """A picture as it was sent, what was answered, points by what they are, in the file's pixels, and the grid that it
    is straightened by."""

    content: bytes
    suffix: str
    answers: Mapping[str, str] = field(default_factory=dict)
    points: Mapping[str, tuple[Pixel, ...]] = field(default_factory=dict)
    grid: KnownDistortion | None = None

    def answered(self, question: str, value: str) -> Sent:
        """Return it with another answer; an empty one takes it back, and another frame has other points."""
        answers = {name: text for name, text in {**self.answers, question: value}.items() if text}
        return replace(self, answers=answers, points={} if question == Question.FRAME else self.points)

    def pointed(self, what: str, points: tuple[Pixel, ...]) -> Sent:
        """Return it with other points of a kind; two corners make the part that is the picture."""
        if what == CORNERS and len(points) > 1:
            return self.pointed(CORNERS, ()).answered(REGION, region_text(region_between(points[-2:])))
        return replace(self, points={name: each for name, each in {**self.points, what: points}.items() if each})

    def number(self, name: str) -> float | None:
        """Return an answer as a number, None where there is none; raises InputError ``picture-answer``."""
        text = self.answers.get(name)
        if text is None:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not np.isfinite(value):
            words = QUESTION_WORDS[Question(name)] if name in set(Question) else OTHER_WORDS[name]
            raise InputError("picture-answer", f"{words} must be a number")
        return value


@dataclass(frozen=True, eq=False)
class Reading:
    """What reading a picture gave: it so far, doubts about whose it is, and how the page shows it."""

    sent: Sent
    so_far: PictureSoFar
    doubts: tuple[str, ...]
    shown: str

    @property
    def open(self) -> tuple[Question, ...]:
        """What is still to be said; a ball of known size tells the size of a pixel."""
        ball = len(self.sent.points.get(SPHERE, ())) >= LEAST_OUTLINE and SPHERE_MM in self.sent.answers
        return tuple(each for each in self.so_far.open if not (ball and each is Question.PIXEL_PITCH_MM))

    def to_file(self, pixel: Pixel) -> Pixel:
        """Return the file's pixel of one that was clicked.

        Raises
        ------
        InputError
            ``picture-sides`` while it is not known which way the picture is shown, ``grid-beyond``.
        """
        if self.so_far.to_file is None:
            raise InputError("picture-sides", "which way the picture is shown must be said before points are clicked")
        place = self.so_far.to_file @ np.array([*pixel, 1.0])
        column, row = place if self.sent.grid is None else self.sent.grid.bent(place, "the point")
        return float(column), float(row)

    def shown_points(self) -> dict[str, list[Pixel]]:
        """Return all points in the pixels of the picture as it is shown, none while it isn't known how.

        Raises
        ------
        InputError
            ``grid-beyond``; no reading that :func:`read` gives raises it.
        """
        to_file, grid = self.so_far.to_file, self.sent.grid
        if to_file is None:
            return {}
        back = np.linalg.inv(to_file[:, :2])
        shown: dict[str, list[Pixel]] = {}
        for what, points in self.sent.points.items():
            places = np.array(points)
            if grid is not None:
                places = grid.straight(places, f"the {what}".replace("_", " "))
            shown[what] = [(float(x), float(y)) for x, y in (places - to_file[:, 2]) @ back.T]
        return shown


@dataclass
class Slot:
    """A place for one picture: as last sent and answered, as last read, and the name of its view."""

    newest: Sent
    reading: Reading | None = None
    view: str = ""


def read(sent: Sent, marks: Mapping[str, PatientMark | None]) -> Reading:
    """Read a picture as far as the answers go; ``marks`` of whose it must be.

    Raises
    ------
    InputError
        Those of :func:`cotyle.case.picture_questions.picture_so_far`, ``picture-answer``, ``pictures-two-patients``,
        ``grid-beyond`` for points that lie beyond a grid's dots.
    """
    from cotyle_platform.web.panels import comparing

    frame, told = _told(sent)
    so_far = _with_file(sent.content, sent.suffix, lambda path: picture_so_far(path, frame, told, sent.grid))
    picture = so_far.radiograph
    if picture is None:
        return Reading(sent, so_far, (), "")
    untold = require_one_patient({**marks, "the picture": picture.patient})
    doubts = tuple(text for text in untold if " the picture " in text)
    reading = Reading(sent, so_far, doubts, comparing.shown(picture))
    reading.shown_points()
    return reading


def content_of(file: Mapping[str, Any]) -> tuple[bytes, str]:
    """Return the bytes of a file that the page sent, and what its name ends in; the rest of the name is dropped."""
    return bytes(file.get("content") or b""), Path(str(file.get("name", ""))).suffix


@dataclass(frozen=True, eq=False)
class Straightened:
    """Pictures read with one grid, or with none."""

    grid: KnownDistortion | None
    readings: tuple[Reading, ...]


def straightened(
    pictures: Sequence[Sent],
    marks: Sequence[Mapping[str, PatientMark | None]],
    grid: tuple[bytes, str] | KnownDistortion | None,
) -> Straightened:
    """Read all pictures with a grid, known or as the content of a file and what its name ends in, or with none.

    Raises
    ------
    InputError
        Those of :func:`cotyle.case.distortion_file.read_distortion` and of :func:`read`, which name the picture.
    """
    known = _with_file(*grid, read_distortion) if isinstance(grid, tuple) else grid
    readings = []
    for number, (sent, of_others) in enumerate(zip(pictures, marks, strict=True), start=1):
        with _which(number, len(pictures)):
            readings.append(read(replace(sent, grid=known), of_others))
    return Straightened(known, tuple(readings))


def ready(slots: Sequence[Slot]) -> tuple[PictureOfView, ...]:
    """Return all pictures ready to be compared; errors as for :func:`picture_of_view`, which name the picture."""
    made = []
    for number, slot in enumerate(slots, start=1):
        with _which(number, len(slots)):
            made.append(picture_of_view(slot))
    return tuple(made)


@contextmanager
def _which(number: int, count: int) -> Iterator[None]:
    """Let the line that refuses one of several pictures say which."""
    try:
        yield
    except InputError as error:
        where = f"picture {number}: " if count > 1 else ""
        raise InputError(error.code, where + error.what, error.remedy) from error


def picture_of_view(slot: Slot) -> PictureOfView:
    """Return a picture ready to be compared.

    Raises
    ------
    InputError
        ``picture-geometry`` naming what is still open, ``view-name``, and those of
        :func:`cotyle.case.picture_reading.read_picture`.
    """
    from cotyle.case.picture_reading import read_picture

    reading = slot.reading
    still_open = () if reading is None else reading.open
    if reading is None or still_open:
        words = " and ".join(QUESTION_WORDS[each] for each in still_open) or "the picture is not read yet"
        raise InputError("picture-geometry", f"still to be said: {words}")
    if slot.view not in set(ViewName):
        raise InputError("view-name", "nobody has said which view the picture is", "Choose it")
    sent = reading.sent
    frame, told = _told(sent)
    primary, secondary = sent.number(PRIMARY), sent.number(SECONDARY)
    if (primary is None) != (secondary is None):
        raise InputError("picture-answer", "only one of the machine's two angles was said", "Say both, or neither")
    turned = None if primary is None or secondary is None else (primary, secondary)
    view, clicked = ViewName(slot.view), _clicked(sent)
    return _with_file(
        sent.content, sent.suffix, lambda path: read_picture(path, view, told, clicked, frame, sent.grid, turned)
    )


def _clicked(sent: Sent) -> Any:
    from cotyle.case.picture_reading import Clicked, SeenSphere

    rim, outline = (sent.points.get(what) for what in (RIM, SPHERE))
    ball = None
    if outline:
        diameter = sent.number(SPHERE_MM)
        if diameter is None:
            raise InputError("sphere-diameter", "a ball was outlined, but nobody said its diameter", "Say it in mm")
        ball = SeenSphere(np.array(outline), diameter, sent.number(SPHERE_DEPTH_MM))
    places = {what: np.array(points[0]) for what, points in sent.points.items() if what not in MANY}
    return Clicked(None if rim is None else np.array(rim), places, ball)


def _told(sent: Sent) -> tuple[int | None, Told]:
    """Return the frame and all else that was answered."""
    answers, frame = sent.answers, sent.number(Question.FRAME)
    polarity, tube = answers.get(Question.POLARITY), answers.get(Question.TUBE)
    sides, region = answers.get(Question.PATIENT_ORIENTATION, "").split("/"), answers.get(REGION)
    return None if frame is None else round(frame), Told(
        polarity=None if polarity is None else Polarity(polarity),
        pixel_pitch_mm=sent.number(Question.PIXEL_PITCH_MM),
        tube=None if tube is None else Tube(tube),
        source_detector_mm=sent.number(Question.SOURCE_DETECTOR_MM),
        source_isocenter_mm=sent.number(Question.SOURCE_ISOCENTER_MM),
        patient_orientation=(sides[0], sides[1]) if len(sides) == 2 else None,
        region=None if region is None else region_of(region),
    )


def _with_file(content: bytes, suffix: str, use: Callable[[Path], Found]) -> Found:
    """Read what was sent from a file that is gone at once; its name says nothing."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"picture{suffix}"
        path.write_bytes(content)
        return use(path)
