"""Words and table rows of the cue sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cotyle.case.measurements import MistakeFacts, ScreenStageFacts, WallViewFacts
from cotyle.xray.misplaced import PLAIN_FROM, READABLE, SHIFT_MM, TOLD_FROM, TURN_DEG, Mistake, Telltale
from cotyle.xray.reaming_cues import Stage

VIEW_WORDS = {
    "ap_pelvis": "AP pelvis",
    "ap_hip": "AP hip",
    "inlet": "inlet",
    "outlet": "outlet",
    "obturator_oblique": "obturator oblique",
    "iliac_oblique": "iliac oblique",
    "cross_table_lateral": "cross-table lateral",
}
STAGE_WORDS = {Stage.START: "at its start", Stage.MIDWAY: "mid-way", Stage.SEATED: "at its stop"}
MISTAKE_WORDS = {
    Mistake.MORE_INCLINED: f"{TURN_DEG:g}° more inclined",
    Mistake.LESS_INCLINED: f"{TURN_DEG:g}° less inclined",
    Mistake.MORE_ANTEVERTED: f"{TURN_DEG:g}° more anteverted",
    Mistake.LESS_ANTEVERTED: f"{TURN_DEG:g}° less anteverted",
    Mistake.SHORT: f"{SHIFT_MM:g} mm short",
    Mistake.DEEP: f"{SHIFT_MM:g} mm too deep",
    Mistake.HIGH: f"{SHIFT_MM:g} mm too high",
    Mistake.FACING_BACK: "facing back instead of forward, with the same ellipse",
    Mistake.FORWARD: f"{SHIFT_MM:g} mm too far forward",
}
SHORT_MISTAKES = {
    Mistake.MORE_INCLINED: f"+{TURN_DEG:g}° incl.",
    Mistake.LESS_INCLINED: f"−{TURN_DEG:g}° incl.",
    Mistake.MORE_ANTEVERTED: f"+{TURN_DEG:g}° antev.",
    Mistake.LESS_ANTEVERTED: f"−{TURN_DEG:g}° antev.",
    Mistake.SHORT: f"{SHIFT_MM:g} mm short",
    Mistake.DEEP: f"{SHIFT_MM:g} mm deep",
    Mistake.HIGH: f"{SHIFT_MM:g} mm high",
    Mistake.FACING_BACK: "facing back",
    Mistake.FORWARD: f"{SHIFT_MM:g} mm forward",
}
CUE_WORDS = {
    "inclination_deg": "inclination of the rim",
    "suggested_anteversion_deg": "anteversion the ellipse suggests",
    "axis_above_si_joint_mm": "axis above the lower end of the sacroiliac joint",
    "rim_line_angle_deg": "rim to the line teardrop–superolateral rim",
    "rim_line_lower_end_mm": "rim's lower end outside that line",
    "rim_line_upper_end_mm": "rim's upper end outside that line",
    "medial_edge_to_teardrop_mm": "medial edge lateral to the teardrop",
    "medial_edge_to_ilioischial_mm": "medial edge lateral to the ilio-ischial line",
    "lower_rim_above_teardrops_mm": "rim's lower end above the teardrops",
    "gap_behind_mm": "dark gap behind the dome",
}
SHORT_CUES = {
    "inclination_deg": "inclination",
    "suggested_anteversion_deg": "ellipse",
    "axis_above_si_joint_mm": "axis at SI joint",
    "rim_line_angle_deg": "rim line",
    "rim_line_lower_end_mm": "lower end, rim line",
    "rim_line_upper_end_mm": "upper end, rim line",
    "medial_edge_to_teardrop_mm": "edge to teardrop",
    "medial_edge_to_ilioischial_mm": "edge to ilio-isch.",
    "lower_rim_above_teardrops_mm": "height of rim",
    "gap_behind_mm": "gap behind",
}
_STEP_ROWS = (
    ("rim_axis_ratio", "rim ellipse, minor to major axis", "", 2),
    ("suggested_anteversion_deg", "anteversion that it suggests", "deg", 0),
    ("inclination_to_teardrops_deg", "inclination to the teardrops", "deg", 0),
    ("axis_above_si_joint_mm", "axis above the lower end of the SI joint", "mm", 0),
    ("rim_line_angle_deg", "rim steeper than the teardrop–rim line", "deg", 0),
    ("rim_line_relation", "rim and that line are", "", 0),
    ("medial_edge_to_teardrop_mm", "edge lateral to the teardrop", "mm", 1),
    ("medial_edge_to_ilioischial_mm", "edge lateral to the ilio-ischial line", "mm", 1),
    ("lower_rim_above_teardrops_mm", "rim's lower end above the teardrops", "mm", 1),
    ("gap_behind_mm", "gap between dome and earlier floor", "mm", 1),
)


@dataclass(frozen=True)
class Cell:
    """One cell of the table of mistakes: the change, whether it is told by it, plainly told, and the best of all."""

    text: str
    told: bool
    plain: bool
    best: bool


def change_words(best: Telltale) -> str:
    """Return a cue and how it changes, short enough to stand over a picture."""
    return (
        f"{SHORT_CUES[best.cue]} {number(best.change, READABLE[best.cue].unit, 0 if _degrees(best.cue) else 1, True)}"
    )


def number(value: Any, unit: str, decimals: int, signed: bool = False) -> str:
    """Return a number with a true minus sign and its unit, or a dash where nothing is known."""
    if isinstance(value, str):
        return value
    if not isinstance(value, int | float):
        return "–"
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    if not text.strip("+-0."):
        text = text.strip("+-")
    space = "" if unit in ("", "°") else " "
    return (text + ("°" if unit == "deg" else f"{space}{unit}")).replace("-", "−")


def stage_rows(
    stages: Sequence[ScreenStageFacts], spread: Mapping[str, float]
) -> list[tuple[str, str, list[str], str]]:
    """Return the table of a view's stages: words, unit, one value for each, and two deviations by the landmarks."""
    rows = []
    values = reading_rows([each.cues for each in stages])
    for (name, *_, decimals), (words, unit, shown) in zip(_STEP_ROWS, values, strict=True):
        sd = spread.get("inclination_deg" if name == "inclination_to_teardrops_deg" else name, 0.0)
        open_by = number(2.0 * sd, "", decimals) if 2.0 * sd >= 0.05 else ""
        rows.append((words, unit, shown, open_by))
    return rows


def reading_rows(readings: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, list[str]]]:
    """Return the cues of pictures as a table: words, unit, and one value for each picture's cues by name."""
    return [
        (words, unit, [number(each.get(name), "", decimals) for each in readings])
        for name, words, unit, decimals in _STEP_ROWS
    ]


def mistake_rows(mistakes: Sequence[MistakeFacts]) -> list[tuple[str, str, list[Cell]]]:
    """Return the table of mistakes, a row for each cue: words, reading error, and a cell for each mistake."""
    rows = []
    for cue, readable in READABLE.items():
        if not any(cue in each.changes for each in mistakes):
            continue
        decimals = 0 if _degrees(cue) else 1
        cells = []
        for each in mistakes:
            change = each.changes.get(cue)
            telling = 0.0 if change is None else abs(change) / readable.error
            best = each.told and each.best_cue == cue
            cells.append(Cell(number(change, "", 1, True), telling >= TOLD_FROM, telling >= PLAIN_FROM, best))
        rows.append((CUE_WORDS[cue], number(readable.error, readable.unit, decimals or 1), cells))
    return rows


def mistake_sentences(mistakes: Sequence[MistakeFacts], view: str) -> list[str]:
    """Return a sentence for each mistake that a view doesn't tell, with the view that does."""
    sentences = []
    for each in mistakes:
        if each.told:
            continue
        words = MISTAKE_WORDS[Mistake(each.mistake)]
        text = f"{words[:1].upper()}{words[1:]}: no cue of the {VIEW_WORDS[view]} tells it."
        if each.other_view is not None and each.other_view_telling is not None:
            strength = each.other_view_telling
            if strength >= TOLD_FROM:
                how = "plainly" if round(strength, 1) >= PLAIN_FROM else "only just"
                text += (
                    f" The {VIEW_WORDS[each.other_view]} view shows it {how} ({strength:.1f} times the reading error)."
                )
            else:
                text += " No other usual view shows it either."
        sentences.append(text)
    return sentences


def both_views_sentence(reaming_cues: Mapping[str, Sequence[ScreenStageFacts]]) -> str:
    """Return how much more inclined the seated cup looks on the AP hip than on the AP pelvis."""
    read = [
        stages[-1].cues.get("inclination_to_teardrops_deg") or stages[-1].cues.get("apparent_inclination_deg")
        for stages in (reaming_cues.get("ap_pelvis", ()), reaming_cues.get("ap_hip", ()))
        if stages
    ]
    if len(read) < 2 or not all(isinstance(value, int | float) for value in read):
        return ""
    more = float(read[1]) - float(read[0])  # type: ignore[arg-type]
    words = f"{abs(more):.1f} deg {'more' if more >= 0 else 'less'} inclined"
    text = (
        f"With the hand still and the tube under the table, the cup looks {words} on the AP hip than on the AP pelvis"
    )
    if 0 <= more <= TURN_DEG:
        return f"{text}; up to 5 deg more is usual (common practice, no source)."
    return f"{text}; usual is up to 5 deg more (common practice, no source): this hip lies otherwise, look twice."


def wall_rows(wall: WallViewFacts, reamer_mm: float) -> list[tuple[str, str]]:
    """Return the table beside the view that shows the wall."""
    share = wall.reading_mm / reamer_mm
    tolerance = [
        f"{words} {'more than 20' if value is None else f'{value:.0f}'} deg"
        for words, value in (
            ("left or right", wall.primary_tolerance_deg),
            ("cranial or caudal", wall.secondary_tolerance_deg),
        )
    ]
    overlap = ", ".join(f"{mm:.0f} mm of {name}" for name, mm in wall.overlap_mm.items()) or "no other bone"
    return [
        ("C-arm, detector", angle_words(wall.primary_deg, wall.secondary_deg)),
        ("least wall, measured in 3D", f"{wall.wall_minimum_mm:.1f} mm"),
        ("bone in it; the rest is soft tissue", f"{wall.bone_mm:.1f} mm"),
        ("the outlines read here", f"{wall.reading_mm:.1f} mm ({100 * wall.reading_over_wall:.0f} % of it)"),
        ("to the outermost bone there on a level AP view", f"{wall.ap_reading_mm:.1f} mm"),
        ("on the detector, for each mm of wall", f"{wall.detector_mm_per_mm:.2f} mm"),
        (f"gap as a share of the {reamer_mm:g} mm reamer's width", f"{100 * share:.0f} %"),
        ("reads wrong by 1 mm when turned off", "; ".join(tolerance)),
        ("in the same beam", overlap),
        ("bone that ends at the inner surface", f"{max(wall.edge_mm, 0.0):.0f} mm along the beam"),
    ]


def angle_words(primary_deg: float, secondary_deg: float) -> str:
    """Return positioner angles in words; the detector's side is meant."""
    primary = f"{abs(primary_deg):.0f} deg to the patient's {'left' if primary_deg > 0 else 'right'}"
    secondary = f"{abs(secondary_deg):.0f} deg {'cranial' if secondary_deg > 0 else 'caudal'}"
    parts = [words for words, value in ((primary, primary_deg), (secondary, secondary_deg)) if abs(value) >= 0.5]
    return ", ".join(parts) or "straight through the front (0 / 0)"


def wall_sentence(wall: WallViewFacts | None) -> str:
    """Return what to know before trusting the view that shows the wall."""
    if wall is None:
        return "The floor is through: there is no wall to be seen."
    if not wall.within_reach:
        thick = "thick" if wall.reading_over_wall > 1 else "thin"
        return (
            "No direction that grazes floor and inner surface is within the machine's reach. This is the nearest one; "
            f"the wall reads too {thick} here, by the factor {wall.reading_over_wall:.2f}."
        )
    if wall.doubtful:
        return (
            "Hardly any bone lies between the cavity and this place: its least wall is doubtful, and so is this view. "
            "Look at the slices."
        )
    if wall.hidden:
        return "Other bone hides the inner surface in this view: don't read the wall off it."
    if abs(wall.reading_mm - wall.wall_minimum_mm) >= 0.5:
        return (
            "Bone beside the thinnest place stands out beyond it, so that the outlines read "
            f"{wall.reading_mm - wall.wall_minimum_mm:.1f} mm too thick here."
        )
    within = "" if abs(wall.off_grazing_deg) < 1.5 else f" within {abs(wall.off_grazing_deg):.0f} deg"
    return (
        f"The beam grazes floor and inner surface here{within}: the gap between the two outlines is the wall, not "
        "foreshortened."
    )


def _degrees(cue: str) -> bool:
    return READABLE[cue].unit == "deg"
