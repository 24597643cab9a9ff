"""What the user may give for decisions: a JSON file, every field of it optional.

One file for each part that asks something, one field of :class:`Questions` for each. A default that is a number has its
source beside it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar, Literal

from pydantic import Field

from cotyle.case.decision.bone_questions import BoneQuestions
from cotyle.case.decision.motion_questions import MotionQuestions
from cotyle.case.decision.option_questions import OptionQuestions
from cotyle.case.decision.posture_questions import PostureQuestions
from cotyle.case.decision.revision_questions import RevisionQuestions
from cotyle.case.decision.screw_questions import ScrewQuestions
from cotyle.case.decision.tolerance_questions import ToleranceQuestions
from cotyle.case.json_text import read_json
from cotyle.case.schema import FileModel, validated


class Questions(FileModel):
    """The whole of the file that ``--given`` names; ``schema`` and ``version`` may be left out."""

    may_leave_out_version: ClassVar[bool] = True
    schema_name: Literal["cotyle/questions"] = Field(default="cotyle/questions", alias="schema")
    version: Literal[1] = 1
    options: OptionQuestions = OptionQuestions()
    posture: PostureQuestions = PostureQuestions()
    screws: ScrewQuestions = ScrewQuestions()
    bone: BoneQuestions = BoneQuestions()
    motion: MotionQuestions = MotionQuestions()
    tolerance: ToleranceQuestions = ToleranceQuestions()
    revision: RevisionQuestions = RevisionQuestions()

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
