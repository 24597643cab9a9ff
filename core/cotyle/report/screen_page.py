"""What the report's page needs of the cue sheet, from measurements.json alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cotyle.case.measurements import Measurements, ScreenStageFacts
from cotyle.report import screen_words as words
from cotyle.xray.misplaced import Mistake
from cotyle.xray.reaming_cues import Stage

MISTAKES_VIEW = "ap_hip"
_CAPTION = (
    "Simulated from the CT, level, tube under the table. The femur is taken out, bone reamed so far is taken away; the "
    "reamer is a steel dome without holes or handle. Orange: its outline, rim (dashed) and axis. Yellow: teardrop, "
    "superolateral rim with the line between them, lower end of the sacroiliac joint. Green: ilio-ischial line."
)
_WRONG = (
    "Filled: the cup as it then lies, outlined orange; dashed blue: where it is planned. Same window and scale "
    "throughout. Over each picture the cue that tells it best."
)
_WALL = "Orange: the finished cavity. Green: edges of the hip bone near the wall. Yellow: the least wall."


def figure_name(view: str) -> str:
    """Return the name of a view's reaming figure."""
    return f"reaming-{view.replace('_', '-')}"


def screen_content(measured: Measurements) -> dict[str, Any]:
    """Return what the template prints of the cue sheet."""
    mistakes = measured.cup_mistakes.get(MISTAKES_VIEW, ())
    return {
        "views": words.VIEW_WORDS,
        "both_views": words.both_views_sentence(measured.reaming_cues),
        "reaming": [_reaming(name, stages) for name, stages in measured.reaming_cues.items()],
        "mistakes": {
            "words": words.VIEW_WORDS[MISTAKES_VIEW],
            "caption": _WRONG,
            "columns": [words.MISTAKE_WORDS[Mistake(each.mistake)] for each in mistakes],
            "rows": words.mistake_rows(mistakes),
            "sentences": words.mistake_sentences(mistakes, MISTAKES_VIEW),
        }
        if mistakes
        else None,
        "wall_caption": _WALL,
        "wall_rows": []
        if measured.wall_view is None
        else words.wall_rows(measured.wall_view, measured.reaming[-1].diameter_mm),
        "wall_sentence": words.wall_sentence(measured),
    }


def cue_rows(cues: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """Return the table of the seated cup's cues, one value for each view."""
    named = (
        ("rim ellipse, minor to major axis", "rim_axis_ratio", "", 2),
        ("anteversion that it suggests", "suggested_anteversion_deg", "deg", 1),
        ("apparent inclination", "apparent_inclination_deg", "deg", 1),
        ("the same to the line of the teardrops", "inclination_to_teardrops_deg", "deg", 1),
        ("axis crosses the sacroiliac joint above its lower end", "axis_above_si_joint_mm", "mm", 1),
        ("rim to the line teardrop–superolateral rim", "rim_line_angle_deg", "deg", 1),
        ("that line and the rim are", "rim_line_relation", "", 0),
        ("medial edge of the cup lateral to the teardrop", "medial_edge_to_teardrop_mm", "mm", 1),
        ("ilio-ischial line lateral to the teardrop", "teardrop_to_ilioischial_mm", "mm", 1),
        ("symphysis left of the sacral midline", "symphysis_to_sacrum_mm", "mm", 1),
    )
    rows = []
    for text, name, unit, decimals in named:
        values = [each.get(name) for each in cues.values()]
        rows.append((text, [value if isinstance(value, str) else _known(value, unit, decimals) for value in values]))
    return rows


def _known(value: Any, unit: str, decimals: int) -> str:
    return "not known" if not isinstance(value, int | float) else words.number(value, unit, decimals)


def _reaming(name: str, stages: tuple[ScreenStageFacts, ...]) -> dict[str, Any]:
    groups: list[dict[str, Any]] = []
    for each in stages:
        title = "cup" if each.step is None else "reamer"
        text = f"{each.diameter_mm:g} mm {title}"
        if groups and groups[-1]["words"] == text:
            groups[-1]["span"] += 1
        else:
            groups.append({"words": text, "span": 1})
    short = {Stage.START: "start", Stage.MIDWAY: "mid-way", Stage.SEATED: "stop"}
    return {
        "words": words.VIEW_WORDS.get(name, name),
        "figure": figure_name(name),
        "caption": _CAPTION,
        "steps": groups,
        "stages": ["seated" if each.step is None else short[Stage(each.stage)] for each in stages],
        "rows": words.stage_rows(stages),
    }
