"""What the report's page needs of the cue sheet, from measurements.json alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cotyle.case.measurements import Measurements, ScreenStageFacts
from cotyle.report import screen_words as words
from cotyle.xray.misplaced import Mistake
from cotyle.xray.reaming_cues import Stage
from cotyle.xray.wall_view import C_ARM_REACH

MISTAKES_VIEW = "ap_hip"
_CAPTION = (
    "Simulated from the CT, level, tube under the table. Taken out: the femur, an old implant if there is one, bone "
    "reamed so far. The reamer is a steel dome without holes or handle. Orange: its outline, rim (dashed) and axis. "
    "Yellow: teardrop, superolateral rim with the line between them, lower end of the sacroiliac joint (dotted: from "
    "there to the axis). Green: ilio-ischial line."
)
_WRONG = (
    "Filled: the cup as it then lies, outlined orange; dashed blue: where it is planned. Same window and scale "
    "throughout. Over each picture the cue that tells it best."
)
_WALL = (
    "Simulated, the femur taken out, the cavity finished. Orange: its outline. Green: edge of the inner surface beside "
    "the wall. Yellow: the least wall."
)
_WALL_HOW = (
    "Angles from a level pelvis on its back, tube under the table; the words say where the detector stands. Looked for "
    f"within {C_ARM_REACH.primary_deg:g} deg to either side and {C_ARM_REACH.secondary_deg:g} deg cranial or caudal "
    "(common practice, no source). Lengths with the magnification taken out: the reamer in the picture is the ruler."
)


def figure_name(view: str) -> str:
    """Return the name of a view's reaming figure."""
    return f"reaming-{view.replace('_', '-')}"


def screen_content(measured: Measurements) -> dict[str, Any]:
    """Return what the template prints of the cue sheet."""
    mistakes = measured.cup_mistakes.get(MISTAKES_VIEW, ())
    return {
        "views": [words.VIEW_WORDS[name] for name in cue_views(measured.cues)],
        "both_views": words.both_views_sentence(measured.reaming_cues),
        "reaming": [
            _reaming(name, measured.reaming_cues[name], measured.cue_uncertainty.get(name, {}))
            for name in words.VIEW_WORDS
            if name in measured.reaming_cues
        ],
        "mistakes": {
            "words": words.VIEW_WORDS[MISTAKES_VIEW],
            "caption": _WRONG,
            "columns": [words.SHORT_MISTAKES[Mistake(each.mistake)] for each in mistakes],
            "rows": words.mistake_rows(mistakes),
            "sentences": words.mistake_sentences(mistakes, MISTAKES_VIEW),
        }
        if mistakes
        else None,
        "wall_caption": _WALL,
        "wall_rows": []
        if measured.wall_view is None
        else words.wall_rows(measured.wall_view, measured.reaming[-1].diameter_mm),
        "wall_how": _WALL_HOW,
        "wall_sentence": words.wall_sentence(measured.wall_view),
    }


def cue_views(cues: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return the views that the seated cup was read on, in the usual order."""
    return [name for name in words.VIEW_WORDS if name in cues]


def cue_rows(cues: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str, list[str]]]:
    """Return the table of the seated cup's cues: words, unit, one value for each of :func:`cue_views`."""
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
        values = [cues[view].get(name) for view in cue_views(cues)]
        rows.append((text, unit, [words.number(value, "", decimals) for value in values]))
    return rows


def _reaming(name: str, stages: tuple[ScreenStageFacts, ...], spread: Mapping[str, float]) -> dict[str, Any]:
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
        "rows": words.stage_rows(stages, spread),
    }
