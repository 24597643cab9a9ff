"""What is doubtful about a plan, in words; the first thing a reader sees."""

from __future__ import annotations

from cotyle.case.stages import MEASURING_FRAME, PlannedCup
from cotyle.case.verdict import plan_doubts
from cotyle.cup.center import center_shift
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.cup.press_fit import press_fit

# Common practice, no source: below these a surgeon wants to be told.
LEAST_WALL_MM = 2.0
LEAST_COVERAGE = 0.70
MOST_SHIFT_UP_MM = 5.0

Warning = tuple[str, str]


def warnings_of(planned: PlannedCup) -> list[Warning]:
    """Return (code, sentence) of everything doubtful, the gravest for the patient first."""
    found = [
        *_synthetic(planned),
        *_wall(planned),
        *_coverage(planned),
        *_orientation(planned),
        *_center(planned),
        *_press_fit(planned),
        *((doubt.code, doubt.text) for doubt in (*planned.anatomy.doubts, *plan_doubts(planned))),
        *(("proposal", note) for note in planned.plan.cup.notes),
        *_posture(planned),
    ]
    return [(code, _sentence(text)) for code, text in dict.fromkeys(found)]


def _synthetic(planned: PlannedCup) -> list[Warning]:
    if not planned.anatomy.source.synthetic:
        return []
    return [("synthetic", "This scan is synthetic: a program made it, no person was scanned")]


def _wall(planned: PlannedCup) -> list[Warning]:
    wall = planned.wall
    found: list[Warning] = []
    if wall.breached:
        where = "at the pole" if wall.breached_on_axis else "beside the axis"
        found.append(("wall-breached", f"The planned reaming goes through the inner wall of the pelvis, {where}"))
    elif wall.minimum_mm < LEAST_WALL_MM:
        found.append(
            ("wall-thin", f"Only {wall.minimum_mm:.1f} mm are left between cavity and pelvis at the thinnest place")
        )
    if wall.bone_behind_mm > 0:
        found.append(("wall-second-layer", "The axis meets bone again behind the exit; that bone is not counted"))
    found += [("wall-note", note) for note in wall.notes]
    return found


def _coverage(planned: PlannedCup) -> list[Warning]:
    coverage = planned.coverage
    if coverage.fraction >= LEAST_COVERAGE:
        return []
    return [
        (
            "coverage-low",
            f"Bone covers {coverage.fraction:.1%} of the cup; below {LEAST_COVERAGE:.0%} many want more support",
        )
    ]


def _orientation(planned: PlannedCup) -> list[Warning]:
    targets = planned.plan.targets
    frame = planned.pelvis.frames[targets.frame]
    found = orientation_of_axis(planned.cup.opening_axis_lps, frame, planned.plan.side, Definition(targets.definition))
    off = []
    if abs(found.inclination_deg - targets.inclination_deg) > targets.inclination_tolerance_deg:
        off.append(f"inclination {found.inclination_deg:.1f} deg")
    if abs(found.anteversion_deg - targets.anteversion_deg) > targets.anteversion_tolerance_deg:
        off.append(f"anteversion {found.anteversion_deg:.1f} deg")
    if not off:
        return []
    return [
        (
            "orientation-off-target",
            f"The cup lies outside the target zone: {' and '.join(off)} ({targets.definition}, {targets.frame} frame)",
        )
    ]


def _center(planned: PlannedCup) -> list[Warning]:
    frame = planned.pelvis.frames[MEASURING_FRAME]
    shift = center_shift(planned.socket.center_lps_mm, planned.cup.center_lps_mm, frame, planned.plan.side)
    if shift.superior <= MOST_SHIFT_UP_MM:
        return []
    return [("center-high", f"The plan raises the hip centre by {shift.superior:.1f} mm")]


def _press_fit(planned: PlannedCup) -> list[Warning]:
    fit = press_fit(planned.cup.outer_diameter_mm, planned.steps[-1].step.diameter_mm)
    if fit.is_usual:
        return []
    return [
        (
            "press-fit-unusual",
            f"{fit.interference_mm:.1f} mm of press-fit lets the cup stand {fit.proud_mm:.1f} mm proud before it is "
            "seated; 4 to 5 mm are usual",
        )
    ]


def _posture(planned: PlannedCup) -> list[Warning]:
    if planned.plan.posture.measured:
        return []
    change = planned.plan.posture.standing_tilt_change_deg
    assumed = f"assumes {change:+.0f} deg of change" if change else "is taken to be the supine one"
    text = f"Nobody measured how this pelvis tilts on standing: the standing frame {assumed}"
    return [("posture-assumed", text)]


def _sentence(text: str) -> str:
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
