"""Which numbers of decision/options.json and decision/tolerance.json are written; as :mod:`.numbers`.

``#`` in a field of the options stands for ``plan`` or ``options.<n>``, in one of the tolerance for an outcome's name.
"""

from __future__ import annotations

from collections.abc import Iterator

from cotyle.cup.orientation import Definition
from cotyle.cup.tolerance.causes import Cause
from cotyle.report.dicom import numbers
from cotyle.report.dicom.codes import (
    DEFINITIONS,
    DEG,
    FRAMES,
    MEAN,
    ML,
    MM,
    ONE,
    PERCENT,
    STANDARD_DEVIATION,
    Code,
    own,
)
from cotyle.report.dicom.numbers import Number

_ALL = {row.field: row for rows in numbers.ALL_NUMBERS.values() for row in rows}


def _as(field: str, measured: str, spread: str | None = None) -> Number:
    """Return a row of the same concept as a field of measurements.json."""
    known = _ALL[measured]
    return Number(field, known.concept, known.unit, spread)


def _option_angles(definition: Definition, frame: str) -> Iterator[Number]:
    for angle in ("inclination", "anteversion"):
        code = f"OPT-{DEFINITIONS[definition]}{angle[0].upper()}-{FRAMES[frame][0]}"
        meaning = f"{definition.capitalize()} {angle} of this cup, {FRAMES[frame][1]}"
        yield Number(f"#.angles.{angle}_deg", own(code, meaning), DEG)


def _limit_angles(definition: Definition, frame: str) -> Iterator[Number]:
    for angle in ("inclination", "anteversion"):
        for place, word in enumerate(("Least", "Most")):
            code = f"LIM-{DEFINITIONS[definition]}{angle[0].upper()}-{FRAMES[frame][0]}-{word.upper()}"
            meaning = f"{word} {definition} {angle} allowed, {FRAMES[frame][1]}"
            yield Number(f"limits.{angle}_deg.{place}", own(code, meaning), DEG)


_KINDS = [(definition, frame) for frame in FRAMES for definition in DEFINITIONS]
OPTION_ANGLES = {kind: tuple(_option_angles(*kind)) for kind in _KINDS}
LIMIT_ANGLES = {kind: tuple(_limit_angles(*kind)) for kind in _KINDS}
"""By definition and frame; a file holds those of its target."""

OPTION_NUMBERS = (
    Number("#.outer_diameter_mm", own("OPT-OUTER", "Outer diameter of this cup"), MM),
    Number("#.head_diameter_mm", own("OPT-HEAD", "Largest usual head that this cup takes"), MM),
    *(_as(f"#.{way}_mm", f"center_shift.from_native_mm.{way}") for way in ("medial", "superior", "anterior")),
    Number("#.figures.center_away_mm", own("OPT-AWAY", "Center of this cup away from the one to restore"), MM),
    Number("#.figures.rise_mm", own("OPT-RISE", "Center of this cup above the one to restore"), MM),
    _as("#.leg_length_change_mm", "center_shift.leg_length_change_mm"),
    _as("#.figures.cover", "coverage.fraction", "#.cover_sd"),
    _as("#.figures.cover_above", "coverage.sectors.superior"),
    _as("#.figures.cover_front", "coverage.sectors.anterior"),
    _as("#.figures.cover_back", "coverage.sectors.posterior"),
    _as("#.uncovered_arc_deg", "coverage.uncovered_arc_deg"),
    _as("#.figures.wall_along_axis_mm", "wall.along_axis_mm", "#.wall_along_axis_sd_mm"),
    _as("#.figures.wall_least_mm", "wall.minimum_mm", "#.wall_least_sd_mm"),
    Number("#.figures.front_wall_mm", own("OPT-FRONT-WALL", "Remaining anterior wall inside the rim"), MM),
    Number("#.figures.back_wall_mm", own("OPT-BACK-WALL", "Remaining posterior wall inside the rim"), MM),
    Number("#.figures.removed_ml", own("OPT-REMOVED", "Bone removed by all reamers"), ML),
)

GOAL_NUMBERS = (
    *(
        _as(f"goal.{way}_mm", f"center_shift.from_native_mm.{way}", "goal.center_sd_mm")
        for way in ("medial", "superior", "anterior")
    ),
    Number("native_diameter_mm", own("OPT-NATIVE", "Diameter of the native socket"), MM),
)

LIMIT_NUMBERS = (
    Number("limits.least_wall_mm", own("LIM-WALL", "Least wall allowed"), MM),
    Number("limits.largest_rise_mm", own("LIM-RISE", "Largest rise allowed above the center to restore"), MM),
    Number("limits.largest_size_mm", own("LIM-LARGEST", "Largest cup allowed"), MM),
    Number("limits.smallest_size_mm", own("LIM-SMALLEST", "Smallest cup allowed"), MM),
    Number("limits.least_cover", own("LIM-COVER", "Least share of the shell in host bone allowed"), PERCENT),
    Number("limits.enough_wall_mm", own("LIM-ENOUGH", "Wall along the axis that counts as enough"), MM),
    Number("limits.margin_deg", own("LIM-MARGIN", "Margin kept to the edges of the target zone"), DEG),
    Number("tried", own("OPT-TRIED", "Number of cups that were estimated"), ONE),
)

BED_NUMBERS = (
    Number("bed.seen_share", own("BED-SEEN", "Share of the bed seen beside the metal"), PERCENT),
    Number("bed.gap_mm", own("BED-GAP", "Gap between the old cup and its bed"), MM),
    Number("bed.center_sd_mm", own("BED-SD", "Standard deviation of the bed's center"), MM),
    Number("bed.rise_from_wanted_mm", own("BED-RISE", "Center of the bed above the one to restore"), MM),
)

_LYING, _STANDING = FRAMES["supine"][1], FRAMES["standing"][1]
_OUTCOMES: dict[str, tuple[str, str, Code]] = {
    "inclination_deg": ("INC", f"radiographic inclination, {_LYING}", DEG),
    "anteversion_deg": ("ANT", f"radiographic anteversion, {_LYING}", DEG),
    "standing_inclination_deg": ("INC-STA", f"radiographic inclination, {_STANDING}", DEG),
    "standing_anteversion_deg": ("ANT-STA", f"radiographic anteversion, {_STANDING}", DEG),
    "wall_along_axis_mm": ("WALL", "remaining wall along the axis", MM),
    "least_wall_mm": ("LEAST", "least remaining wall", MM),
    "coverage": ("COVER", "share of the shell in host bone", PERCENT),
    "center_medial_mm": ("MED", f"medial shift from native, {_LYING}", MM),
    "center_superior_mm": ("SUP", f"superior shift from native, {_LYING}", MM),
    "center_anterior_mm": ("FRONT", f"anterior shift from native, {_LYING}", MM),
}
"""Short and long words and unit of each outcome, by its name in the file."""
_STATISTICS: tuple[tuple[str, str, str, Code | None], ...] = (
    ("planned", "PLAN", "Without any error,", None),
    ("mean", "MEAN", "Mean of", MEAN),
    ("sd", "SD", "Standard deviation of", STANDARD_DEVIATION),
    ("interval.0", "LOW", "2.5th percentile of", None),
    ("interval.1", "HIGH", "97.5th percentile of", None),
)
_CAUSE_WORDS = {
    Cause.LANDMARKS: "landmarks",
    Cause.EDGES: "edges of bone",
    Cause.PICTURE: "the X-ray picture",
    Cause.POSTURE: "the standing posture",
    Cause.HAND: "the hand",
    Cause.DEPTH: "the depth",
    Cause.SIZE: "the size",
}


def _outcome(name: str) -> tuple[Number, ...]:
    short, long, unit = _OUTCOMES[name]
    found = [
        Number(f"outcomes.{name}.{field}", own(f"{short}-{code}", f"{words} {long}"), unit, derivation=how)
        for field, code, words, how in _STATISTICS
    ]
    found += [
        Number(
            f"outcomes.{name}.shares.{cause}",
            own(f"SHARE-{str(cause)[:10].upper()}", f"Share of the variance by {words} alone"),
            PERCENT,
        )
        for cause, words in _CAUSE_WORDS.items()
    ]
    return (*found, Number(f"outcomes.{name}.together", own("SHARE-TOGETHER", "Share by no cause alone"), PERCENT))


OUTCOME_NUMBERS = {name: _outcome(name) for name in _OUTCOMES}
OUTCOME_WORDS = {name: words for name, (_, words, _) in _OUTCOMES.items()}
"""By name of the outcome."""

CHANCE_NUMBERS = (
    Number("procedures", own("TOL-PROCEDURES", "Number of procedures"), ONE),
    Number("chances.in_zone", own("TOL-ZONE", "Chance to end in the target zone"), PERCENT),
    Number(
        "chances.standing_in_zone", own("TOL-ZONE-STA", "Chance to end in the target zone, standing frame"), PERCENT
    ),
    Number("chances.breach", own("TOL-BREACH", "Chance that the inner wall is broken"), PERCENT),
    Number("chances.below_least_wall", own("TOL-THIN", "Chance that the wall ends below the least one"), PERCENT),
    Number("chances.least_wall_limit_mm", own("TOL-LIMIT", "Least wall that should remain"), MM),
)

STOP_NUMBERS = (
    Number("stop.before_seat_mm", own("STOP-BEFORE", "Stop for an X-ray picture so far before the seat"), MM),
    Number("stop.at_seat", own("STOP-AT-SEAT", "Chance of too thin a wall at the seat, by feel alone"), PERCENT),
    Number("stop.at_stop", own("STOP-AT-STOP", "Chance of too thin a wall at the stop"), PERCENT),
    Number("stop.after_picture", own("STOP-AFTER", "Chance of too thin a wall at the seat, with a picture"), PERCENT),
    Number("stop.accepted", own("STOP-ACCEPTED", "Chance accepted at the stop"), PERCENT),
)

_SD = "SD of"
SPREAD_NUMBERS = tuple(
    Number(f"spreads.{field}", own(f"ERR-{code}", words), unit)
    for field, code, words, unit in (
        ("plane_tilt_deg", "PLANE-TILT", f"{_SD} the found pelvic plane's tilt", DEG),
        ("plane_rotation_deg", "PLANE-ROT", f"{_SD} the found pelvic plane's rotation", DEG),
        ("plane_obliquity_deg", "PLANE-UP", f"{_SD} the found pelvic plane's obliquity", DEG),
        ("native_center_mm", "NATIVE", f"{_SD} the native hip center along each axis", MM),
        ("wall_mm", "WALL-AXIS", f"{_SD} the wall along the axis", MM),
        ("least_wall_mm", "WALL-LEAST", f"{_SD} the least wall", MM),
        ("coverage", "COVER", f"{_SD} the share of the shell in host bone", PERCENT),
        ("picture_tilt_deg", "PIC-TILT", f"{_SD} the tilt that the guiding picture misjudges", DEG),
        ("picture_rotation_deg", "PIC-ROT", f"{_SD} the rotation that the guiding picture misjudges", DEG),
        ("picture_turn_deg", "PIC-TURN", f"{_SD} the turn that the guiding picture misjudges", DEG),
        ("picture_across_mm", "PIC-ACROSS", f"{_SD} the place across the guiding picture's beam", MM),
        ("picture_depth_mm", "PIC-DEPTH", f"{_SD} the place along the guiding picture's beam", MM),
        ("standing_tilt_deg", "STANDING", f"{_SD} the change of tilt from lying to standing", DEG),
        ("hand_inclination_deg", "HAND-INC", f"{_SD} the hand's radiographic inclination, {_LYING}", DEG),
        ("hand_anteversion_deg", "HAND-ANT", f"{_SD} the hand's radiographic anteversion, {_LYING}", DEG),
        ("hand_across_mm", "HAND-ACROSS", f"{_SD} the hand across the cup's axis", MM),
        ("depth_mm", "DEPTH", f"{_SD} the depth along the cup's axis", MM),
        ("one_size_up", "SIZE-UP", "Chance that the cup is one size larger", PERCENT),
        ("one_size_down", "SIZE-DOWN", "Chance that the cup is one size smaller", PERCENT),
    )
)

OPTIONS_FILE: dict[str, tuple[Number, ...]] = {
    "Each cup": (*OPTION_NUMBERS, *(row for rows in OPTION_ANGLES.values() for row in rows)),
    "Center to restore": GOAL_NUMBERS,
    "Limits": (*LIMIT_NUMBERS, *(row for rows in LIMIT_ANGLES.values() for row in rows)),
    "Bed": BED_NUMBERS,
}
TOLERANCE_FILE: dict[str, tuple[Number, ...]] = {
    **{f"Outcome {name}": rows for name, rows in OUTCOME_NUMBERS.items()},
    "Chances": CHANCE_NUMBERS,
    "Where to stop": STOP_NUMBERS,
    "What errs": SPREAD_NUMBERS,
}
"""By group, in the order of the report."""
