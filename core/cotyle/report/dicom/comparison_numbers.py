"""Which numbers of comparison-<n>.json are written, under which concept, in which unit; as :mod:`.numbers`.

``#`` in a field stands for the number of a picture, from 0.
"""

from __future__ import annotations

from collections.abc import Iterator

from cotyle.report.dicom.codes import DEFINITIONS, DEG, FRAMES, MM, PERCENT, PIXELS, own
from cotyle.report.dicom.numbers import Number, axes_numbers

_SPREAD = "uncertainty.orientation"
_SUPINE = "supine frame"  # shifts count in it: cotyle.case.stages.MEASURING_FRAME


def _angles(short: str, words: str, field: str, spread: str | None) -> Iterator[Number]:
    for frame, (frame_short, frame_words) in FRAMES.items():
        for definition, letter in DEFINITIONS.items():
            for angle in ("inclination", "anteversion"):
                place = f"{frame}.{definition}.{angle}_deg"
                meaning = f"{definition.capitalize()} {angle} {words}, {frame_words}"
                concept = own(f"{short}-{letter}{angle[0].upper()}-{frame_short}", meaning)
                yield Number(f"{field}.{place}", concept, DEG, None if spread is None else f"{spread}.{place}")


def _levelling() -> Iterator[Number]:
    rows = (
        ("anterior_tilt_deg", "anterior_tilt_deg", "TILT", "Anterior tilt against the beam"),
        ("rotation_to_left_deg", "rotation_to_left_deg", "ROT", "Rotation to the left against the beam"),
        ("left_up_deg", "left_up_deg", "UP", "Obliquity, left up, against the beam"),
        ("moves.picture_turn_deg", "picture_turn_deg", "TURN", "Turn of the picture to level, clockwise +"),
        ("moves.table_roll_deg", "table_roll_deg", "ROLL", "Roll of the table to level, left up +"),
        ("moves.cranial_deg", "cranial_deg", "CRAN", "Tilt of the C-arm to level, cranial +"),
    )
    for frame, (short, words) in FRAMES.items():
        for field, spread, code, meaning in rows:
            concept = own(f"LEVEL-{code}-{short}", f"{meaning}, {words}")
            yield Number(f"levelling.{frame}.{field}", concept, DEG, f"levelling.{frame}.sd.{spread}")


FOUND_NUMBERS = (
    Number("cup.outer_diameter_mm", own("FND-OUTER", "Outer diameter of the cup, as told, not measured"), MM),
    *axes_numbers("FND-AXIS", "Opening axis of the cup that was found", "cup.opening_axis_lps"),
    *_angles("FND", "of the cup found", "orientation", _SPREAD),
    Number("cup.support", own("FND-SUPPORT", "Share of the cup's outline that the picture shows"), PERCENT),
)

DIFFERENCE_NUMBERS = (
    *_angles("DIF", "found minus plan", "difference.orientation", _SPREAD),
    *(
        Number(
            f"center_shift.{way}",
            own(f"CMP-{way[:3].upper()}", f"Cup center found, {way} of the planned one, {_SUPINE}"),
            MM,
            f"uncertainty.center_shift_mm.{way}",
        )
        for way in ("medial", "superior", "anterior")
    ),
    Number(
        "depth_left_mm",
        own("CMP-TO-FLOOR", "Way still to the planned floor on its axis, below 0: deeper"),
        MM,
        "uncertainty.depth_left_mm",
    ),
)

ELLIPSE_NUMBERS = (
    Number("rim_ellipse.center_px.0", own("RIM-COLUMN", "Center of the rim ellipse, column from 0"), PIXELS),
    Number("rim_ellipse.center_px.1", own("RIM-ROW", "Center of the rim ellipse, row from 0"), PIXELS),
    Number("rim_ellipse.semi_major_px", own("RIM-MAJOR", "Semi-major axis of the rim ellipse"), PIXELS),
    Number("rim_ellipse.semi_minor_px", own("RIM-MINOR", "Semi-minor axis of the rim ellipse"), PIXELS),
    Number(
        "rim_ellipse.major_axis_angle_deg",
        own("RIM-ANGLE", "Major axis of the rim ellipse, from patient's left upwards"),
        DEG,
    ),
)

TWIN_NUMBERS = (
    Number(
        "twin_choice.probability", own("TWIN-PROBABILITY", "Probability that the cup taken is the true one"), PERCENT
    ),
    *axes_numbers("TWIN-AXIS", "Opening axis of the cup not taken", "twin_choice.other_opening_axis_lps"),
)

_SD = "Standard deviation of the C-arm's place:"
POSE_NUMBERS = (
    Number("views.#.residual_mm", own("POSE-RESIDUAL", "Shift at the bone that parts of the picture ask for"), MM),
    Number("views.#.explained", own("POSE-EXPLAINED", "Share of the picture that the simulated one explains"), PERCENT),
    *axes_numbers("XRAY-COLUMNS", "Direction of growing columns", "views.#.column_direction_lps"),
    *axes_numbers("XRAY-ROWS", "Direction of growing rows", "views.#.row_direction_lps"),
    Number("views.#.pixel_pitch_mm.0", own("POSE-PITCH-X", "Distance of neighboring columns on the detector"), MM),
    Number("views.#.pixel_pitch_mm.1", own("POSE-PITCH-Y", "Distance of neighboring rows on the detector"), MM),
    *(
        Number(f"views.#.standard_deviations.{field}", own(code, f"{_SD} {words}"), unit)
        for field, code, words, unit in (
            ("about_columns_deg", "POSE-SD-TURN-X", "about columns", DEG),
            ("about_rows_deg", "POSE-SD-TURN-Y", "about rows", DEG),
            ("in_plane_deg", "POSE-SD-TURN-Z", "in plane", DEG),
            ("along_columns_mm", "POSE-SD-X", "along columns", MM),
            ("along_rows_mm", "POSE-SD-Y", "along rows", MM),
            ("depth_mm", "POSE-SD-DEPTH", "along the beam", MM),
        )
    ),
    Number(
        "views.#.depth_mm_per_percent_of_distance",
        own("POSE-DEPTH-PER", "Depth error per 1 % of error in source to detector"),
        MM,
    ),
)

LEVELLING_NUMBERS = tuple(_levelling())

COMPARISON_NUMBERS: dict[str, tuple[Number, ...]] = {
    "Cup found": FOUND_NUMBERS,
    "Against the plan": DIFFERENCE_NUMBERS,
    "Rim ellipse": ELLIPSE_NUMBERS,
    "Other cup": TWIN_NUMBERS,
    "Each levelling": LEVELLING_NUMBERS,
    "Each picture": POSE_NUMBERS,
}
"""By group, in the order of the report."""
