"""What the user may give for decisions: a JSON file, every field of it optional.

One class for each part that asks something, one field of :class:`Questions` for each class. A default that is a number
has its source beside it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from cotyle.case.decision.motion_questions import MotionQuestions
from cotyle.case.json_text import read_json
from cotyle.case.schema import FileModel, Strict, validated

Tilt = Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
Deviation = Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)]


class GivenPosture(Strict):
    """What is known of the pelvis in one posture, from a lateral film or by number.

    ``anterior_tilt_deg``: of the anterior pelvic plane to the vertical (supine: to the table), positive with the ASIS
    in front of the tubercles. ``sacral_slope_deg``: of the endplate of S1 to the horizontal. The sacrum doesn't move in
    the pelvis (pelvic incidence = pelvic tilt + sacral slope; Legaye J et al., Eur Spine J 1998;7:99-103), so that two
    slopes differ by as much as two tilts; one slope alone tells no tilt.
    """

    anterior_tilt_deg: Tilt | None = None
    sacral_slope_deg: Tilt | None = None
    sd_deg: Deviation = 2.0
    """One standard deviation of what was read off the film: our choice, no source."""


class PostureQuestions(Strict):
    """The pelvis lying, standing and seated, and the spine above it."""

    supine: GivenPosture = GivenPosture()
    standing: GivenPosture = GivenPosture()
    seated: GivenPosture = GivenPosture()
    pelvic_incidence_deg: Annotated[float, Field(ge=0, le=120, allow_inf_nan=False)] | None = None
    lumbar_lordosis_deg: Tilt | None = None
    seated_ante_inclination_deg: tuple[Tilt, Tilt] = (34.2, 75.0)
    """Operative anteversion that is usual in a seated patient: 54.6, give or take twice 10.2 deg (Kanawade V, Dorr LD,
    Wan Z, J Bone Joint Surg Am 2014;96:978-86; 85 hips). What was seen, not what is safe."""

    @model_validator(mode="after")
    def _grow(self) -> Self:
        low, high = self.seated_ante_inclination_deg
        if low >= high:
            raise ValueError("seated_ante_inclination_deg must be the lower bound, then the upper one")
        return self


class Questions(FileModel):
    """The whole of the file that ``--given`` names; ``schema`` and ``version`` may be left out."""

    schema_name: Literal["cotyle/questions"] = Field(default="cotyle/questions", alias="schema")
    version: Literal[1] = 1
    posture: PostureQuestions = PostureQuestions()
    motion: MotionQuestions = MotionQuestions()

    def given(self) -> dict[str, Any]:
        """Return what the user gave, without defaults."""
        return self.model_dump(mode="json", exclude_unset=True, exclude={"schema_name", "version"})


def read_questions(path: Path | None) -> Questions:
    """Return the questions of a file; the defaults where there is none.

    Raises
    ------
    InputError
        ``file-missing``, ``json-unreadable``, ``schema-mismatch`` or ``field-invalid``, which names the field.
    """
    if path is None:
        return Questions()
    content = read_json(path)
    if isinstance(content, dict):
        content = {"schema": "cotyle/questions", "version": 1, **content}
    return validated(Questions, content, path.name)
