"""The form beside a real picture: questions, answers, and what can be clicked on it."""

from __future__ import annotations

from typing import Any

from cotyle.case.picture_questions import QUESTION_WORDS, Question
from cotyle.case.verdict import landmark_words
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.levelling.clicks import CLICK_NAMES

from cotyle_platform.web.panels.picture_tray import CORNERS, OTHER_WORDS, RIM, SPHERE, Reading

_CHOICES: dict[str, dict[str, str]] = {
    Question.POLARITY: {str(Polarity.BONE_DARK): "bone dark", str(Polarity.BONE_LIGHT): "bone light"},
    Question.PATIENT_ORIENTATION: {
        "L/F": "usual: patient's right at the left edge, head up",
        "R/F": "mirrored: patient's left at the left edge, head up",
        "R/H": "upside down: patient's left at the left edge, feet up",
        "L/H": "mirrored and upside down: patient's right at the left edge, feet up",
    },
    Question.TUBE: {
        str(Tube.UNDER_TABLE): "under the table",
        str(Tube.OVER_TABLE): "over the table",
        str(Tube.CROSS_TABLE): "across the table",
    },
}


def point_kinds() -> list[dict[str, str]]:
    """Return what can be clicked: by name, in words."""
    named = {RIM: "rim of the cup, five points or more", SPHERE: "outline of a ball of known size, three or more"}
    named |= {name: landmark_words(name) for name in CLICK_NAMES}
    named[CORNERS] = "part that is the X-ray picture, two opposite corners"
    return [{"name": name, "words": words} for name, words in named.items()]


def fields_of(reading: Reading) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Return the questions about a picture, open ones first, then what may be said besides; and the answers."""
    answers, still_open = reading.sent.answers, reading.open
    asked = dict.fromkeys([*still_open, *(each for each in Question if each in answers)])
    rows = [_question(each, QUESTION_WORDS[each], each in still_open) for each in asked]
    rows += [_question(name, words, False) | {"more": True} for name, words in OTHER_WORDS.items()]
    return rows, dict(answers)


def picture_of(reading: Reading) -> dict[str, Any] | None:
    """Return a picture as the page takes it, None while it can't be read."""
    picture = reading.so_far.radiograph
    if picture is None:
        return None
    columns, rows = picture.size
    return {
        "columns": columns,
        "rows": rows,
        "real": reading.shown,
        "compared": False,
        "sides": ["R", "L"] if reading.so_far.to_file is not None else ["", ""],
        "doubts": [*picture.doubts, *reading.doubts],
        "clickable": reading.so_far.to_file is not None,
    }


def _question(name: str, words: str, is_open: bool) -> dict[str, Any]:
    return {"name": str(name), "words": words, "choices": _CHOICES.get(name), "open": is_open, "more": False}
