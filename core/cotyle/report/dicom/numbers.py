"""Which numbers of measurements.json are written, under which concept, in which unit.

One row a number; a field that a case lacks is left out. The same table makes the report, the documentation and the
test that both agree.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from cotyle.cup.orientation import Definition
from cotyle.report.dicom.codes import (
    DEFINITIONS,
    DEG,
    DIAMETER,
    FRAMES,
    ML,
    MM,
    ONE,
    PERCENT,
    Code,
    own,
)


@dataclass(frozen=True)
class Number:
    """A number: its field in measurements.json, its concept and unit.

    ``spread`` is the field of its standard deviation, ``at`` fields of the points it was measured at, ``derivation``
    how it was derived, where the concept alone doesn't say it.
    """

    field: str
    concept: Code
    unit: Code
    spread: str | None = None
    at: tuple[str, ...] = ()
    derivation: Code | None = None


def _angles(short: str, what: str, field: str, spread: str | None) -> Iterator[Number]:
    for frame, (frame_short, frame_words) in FRAMES.items():
        for definition, letter in DEFINITIONS.items():
            for angle in ("inclination", "anteversion"):
                meaning = f"{definition.capitalize()} {angle} of {what}, {frame_words}"
                stated = spread is not None and definition is Definition.RADIOGRAPHIC
                yield Number(
                    f"{field}.{frame}.{definition}.{angle}_deg",
                    own(f"{short}-{letter}{angle[0].upper()}-{frame_short}", meaning),
                    DEG,
                    f"{spread}.{frame}.{angle}_deg" if stated else None,
                )


def axes_numbers(short: str, what: str, field: str) -> Iterator[Number]:
    """Yield the three numbers of a direction."""
    for place, letter in enumerate("XYZ"):
        meaning = f"{what}, LPS {letter.lower()}"
        yield Number(f"{field}.{place}", own(f"{short}-{letter}", meaning), ONE)


_APP = "anterior pelvic plane"
_MORPHOLOGY = "native.uncertainty.angle_deg"
_SHIFT_SPREAD = "center_shift.uncertainty_mm"
_SUPINE = "supine frame"  # all shifts and advice count in it: cotyle.case.stages.MEASURING_FRAME

PELVIS_NUMBERS = (
    Number(
        "pelvis.anterior_tilt_deg",
        own("PEL-TILT", f"Anterior tilt of the {_APP} on the table"),
        DEG,
        "pelvis.uncertainty_deg.anterior_tilt",
    ),
    Number(
        "pelvis.rotation_to_left_deg",
        own("PEL-ROTATION", f"Rotation to the left of the {_APP} on the table"),
        DEG,
        "pelvis.uncertainty_deg.rotation_to_left",
    ),
    Number(
        "pelvis.left_up_deg",
        own("PEL-LEFT-UP", f"Obliquity, left up, of the {_APP} on the table"),
        DEG,
        "pelvis.uncertainty_deg.left_up",
    ),
    Number(
        "pelvis.standing_tilt_change_deg",
        own("PEL-STANDING", "Change of anterior pelvic tilt from lying to standing"),
        DEG,
    ),
)

NATIVE_NUMBERS = (
    Number("native.diameter_mm", DIAMETER, MM, "native.uncertainty.diameter_mm", ("native.center_lps_mm",)),
    *axes_numbers("NAT-AXIS", "Opening axis of the native socket", "native.opening_axis_lps"),
    *_angles("NAT", "native socket", "native.orientation", None),
    Number(
        "native.lateral_center_edge_angle_deg",
        own("NAT-LCEA", f"Lateral center-edge angle (Wiberg), {_APP}"),
        DEG,
        _MORPHOLOGY,
    ),
    Number(
        "native.acetabular_index_deg",
        own("NAT-INDEX", f"Acetabular index of the roof (Toennis), {_APP}"),
        DEG,
        _MORPHOLOGY,
    ),
    Number("native.sharp_angle_deg", own("NAT-SHARP", f"Sharp angle, {_APP}"), DEG, _MORPHOLOGY),
    Number("native.extrusion_index", own("NAT-EXTRUSION", f"Extrusion index of the head, {_APP}"), PERCENT),
    Number(
        "native.anterior_sector_angle_deg",
        own("NAT-AASA", f"Anterior acetabular sector angle, {_APP}"),
        DEG,
        _MORPHOLOGY,
    ),
    Number(
        "native.posterior_sector_angle_deg",
        own("NAT-PASA", f"Posterior acetabular sector angle, {_APP}"),
        DEG,
        _MORPHOLOGY,
    ),
    Number(
        "native.crowe_subluxation",
        own("NAT-CROWE", "Crowe subluxation, share of a fifth of the pelvic height"),
        PERCENT,
    ),
)

CUP_NUMBERS = (
    Number(
        "cup.outer_diameter_mm", own("CUP-OUTER", "Outer diameter of the planned cup"), MM, None, ("cup.center_lps_mm",)
    ),
    Number("cup.liner_outer_diameter_mm", own("CUP-LINER", "Outer diameter of the liner"), MM),
    Number("cup.liner_thickness_mm", own("CUP-LINER-THICK", "Thickness of the liner"), MM),
    Number("cup.head_diameter_mm", own("CUP-HEAD", "Diameter of the head that fits the liner"), MM),
    *axes_numbers("CUP-AXIS", "Opening axis of the planned cup", "cup.opening_axis_lps"),
    *_angles("CUP", "the cup", "orientation", "orientation_uncertainty_deg"),
)

WALL_NUMBERS = (
    Number(
        "wall.along_axis_mm", own("WALL-AXIS", "Remaining wall along the axis of the cavity"), MM, "wall.uncertainty_mm"
    ),
    Number("wall.advance_mm", own("WALL-ADVANCE", "Advance of the last reamer until it breaks through"), MM),
    Number(
        "wall.minimum_mm",
        own("WALL-LEAST", "Least remaining wall anywhere behind the cavity"),
        MM,
        "wall.minimum_uncertainty_mm",
        ("wall.minimum_at_lps_mm",),
    ),
)

COVERAGE_NUMBERS = (
    Number("coverage.fraction", own("COV-ALL", "Share of the shell in host bone"), PERCENT, "coverage.uncertainty"),
    Number("coverage.near_fraction", own("COV-NEAR", "Share of the shell in host bone or within 1 mm"), PERCENT),
    *(
        Number(
            f"coverage.sectors.{sector}", own(f"COV-{sector[:3].upper()}", f"Share in bone, {sector} quarter"), PERCENT
        )
        for sector in ("superior", "anterior", "posterior", "inferior")
    ),
    Number("coverage.uncovered_arc_deg", own("COV-ARC", "Arc of the rim more than 1 mm off bone"), DEG),
    Number("coverage.superolateral_overhang_mm", own("COV-OVERHANG", "Overhang of the rim, superolateral"), MM),
)

SHIFT_NUMBERS = (
    *(
        Number(
            f"center_shift.from_{reference}_mm.{way}",
            own(f"SH-{reference[:3].upper()}-{way[:3].upper()}", f"Shift of the hip center {way}, {words}, {_SUPINE}"),
            MM,
            _SHIFT_SPREAD if reference == "native" else None,
        )
        for reference, words in (("native", "from native"), ("opposite", "from opposite"))
        for way in ("medial", "superior", "anterior")
    ),
    Number(
        "center_shift.leg_length_change_mm",
        own("SH-LEG", "Leg length change by the hip center alone, + is longer"),
        MM,
        _SHIFT_SPREAD,
    ),
    Number(
        "center_shift.offset_change_mm",
        own("SH-OFFSET", "Acetabular offset change by the hip center, + is lateral"),
        MM,
        _SHIFT_SPREAD,
    ),
)

REAMER_NUMBERS = (
    Number(
        "reaming.#.diameter_mm",
        own("REAMER-DIAMETER", "Diameter of the reamer"),
        MM,
    ),
    Number("reaming.#.removed_ml", own("REAMER-REMOVED", "Volume of bone that this reamer removes"), ML),
    Number("reaming.#.wall_along_axis_mm", own("REAMER-WALL-AXIS", "Remaining wall along the reamer's axis"), MM),
    Number("reaming.#.wall_minimum_mm", own("REAMER-WALL", "Least remaining wall behind the reamer"), MM),
    Number("reaming.#.crescent_mm", own("REAMER-CRESCENT", "Crescent at the start of the reamer"), MM),
    *axes_numbers("REAMER-WAY", "Direction of the reamer", "reaming.#.direction_lps"),
    *(
        Number(
            f"reaming.#.from_native_mm.{way}",
            own(f"REAMER-{way[:3].upper()}", f"End of the reamer {way} of native center, {_SUPINE}"),
            MM,
        )
        for way in ("medial", "superior", "anterior")
    ),
)

PRESS_FIT_NUMBERS = (
    Number("press_fit.interference_mm", own("PF-INTERFERENCE", "Cup diameter minus last reamer's diameter"), MM),
    Number("press_fit.proud_mm", own("PF-PROUD", "How far the cup stands proud before it is seated"), MM),
)

WALL_VIEW_NUMBERS = (
    Number("wall_view.primary_deg", own("WV-PRIMARY", f"Positioner primary angle, level in the {_SUPINE}"), DEG),
    Number("wall_view.secondary_deg", own("WV-SECONDARY", f"Positioner secondary angle, level in the {_SUPINE}"), DEG),
    Number("wall_view.reading_mm", own("WV-READING", "Least wall as this view shows it, at true size"), MM),
    Number("wall_view.bone_mm", own("WV-BONE", "Part of that wall which is bone"), MM),
)

LANDMARK_SPREAD = own("LM-SPREAD", "Standard deviation of the landmark's place")
FRAME_NUMBERS = tuple(
    number
    for axis in ("left", "posterior", "superior")
    for number in axes_numbers(f"FRAME-{axis[:3].upper()}", f"Axis of the frame to {axis}", f"frames.#.{axis}")
)

ALL_NUMBERS: dict[str, tuple[Number, ...]] = {
    "Pelvis": PELVIS_NUMBERS,
    "Native socket": NATIVE_NUMBERS,
    "Cup": CUP_NUMBERS,
    "Wall": WALL_NUMBERS,
    "Coverage": COVERAGE_NUMBERS,
    "Shift of the hip centre": SHIFT_NUMBERS,
    "Each reamer": REAMER_NUMBERS,
    "Press-fit": PRESS_FIT_NUMBERS,
    "View of the wall": WALL_VIEW_NUMBERS,
    "Each frame": FRAME_NUMBERS,
    "Each landmark": (Number("landmarks.#.uncertainty_mm", LANDMARK_SPREAD, MM),),
}
"""By group, in the order of the report."""
