"""What the user chose on the command line, made into a plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.case.json_text import read_json
from cotyle.case.plan_file import CupChoice, OrientationChoice, PlanFile, PostureChoice, Targets
from cotyle.case.schema import validated
from cotyle.cup.component import checked_cup_diameter_mm
from cotyle.errors import InputError
from cotyle.space.side import Side

_ANOTHER = "Give another value"


@dataclass(frozen=True)
class Choices:
    """Options as typed; None where the user said nothing."""

    side: str | None
    center: str | None
    diameter: float | None
    inclination: float | None
    anteversion: float | None
    definition: str | None
    frame: str | None
    standing_tilt_change: float | None
    targets: Path | None


def new_plan(choices: Choices) -> PlanFile:
    """Return the plan for a case that is begun.

    Raises
    ------
    InputError
        ``side``, ``center``, ``cup-size``, ``orientation-incomplete`` and those of files.
    """
    side = checked_side(choices.side or "")
    base = PlanFile(side=side)
    if choices.targets is not None:
        base = _with_targets(base, choices.targets)
        if base.side is not side:
            raise InputError(
                "side-differs",
                f"{choices.targets.name} plans the {base.side} hip, --side says {side}",
                "Make them agree",
            )
    return changed_plan(base, choices, proposed_orientation=None)


def changed_plan(base: PlanFile, choices: Choices, proposed_orientation: OrientationChoice | None) -> PlanFile:
    """Return the plan with what the user changed.

    ``proposed_orientation`` stands in for the angle that was not given when only one was.
    """
    cup = base.cup.model_dump()
    chosen = {
        "center_lps_mm": choices.center,
        "outer_diameter_mm": choices.diameter,
        "orientation": choices.inclination if choices.inclination is not None else choices.anteversion,
    }
    cup["proposed"] = [name for name in base.cup.proposed if chosen[name] is None]
    if choices.center is not None:
        cup |= {"center_lps_mm": parsed_center(choices.center), "notes": (), "limited_by": None}
    if choices.diameter is not None:
        cup["outer_diameter_mm"] = checked_cup_diameter_mm(choices.diameter)
    orientation = _orientation(choices, base, proposed_orientation)
    if orientation is not None:
        cup["orientation"] = orientation.model_dump()
    posture = base.posture
    if choices.standing_tilt_change is not None:
        stands = {"standing_tilt_change_deg": choices.standing_tilt_change, "measured": True}
        content = {**base.posture.model_dump(), **stands}
        posture = validated(PostureChoice, content, "--standing-tilt-change", _ANOTHER)
    return base.model_copy(update={"cup": validated(CupChoice, cup, "the cup", _ANOTHER), "posture": posture})


def with_new_targets(base: PlanFile, path: Path) -> PlanFile:
    """Return the plan with the targets, or all choices for the same side, of a file."""
    changed = _with_targets(base, path)
    if changed.side is not base.side:
        raise InputError("side-differs", f"{path.name} plans the {changed.side} hip, the case the {base.side} one")
    return changed


def checked_side(text: str) -> Side:
    """Return the side, or raise InputError ``side``."""
    try:
        return Side(text.strip().lower())
    except ValueError:
        raise InputError("side", f"--side must be left or right, not {text!r}", "Name the hip to plan") from None


def parsed_center(text: str) -> tuple[float, float, float]:
    """Return the three numbers of ``x,y,z``, or raise InputError ``center``."""
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            "center", f"--center must be three numbers with commas between, not {text!r}", "--center=-82.3,12,-40.5"
        ) from None
    return x, y, z


def _orientation(choices: Choices, base: PlanFile, proposed: OrientationChoice | None) -> OrientationChoice | None:
    stated = (choices.inclination, choices.anteversion)
    if stated == (None, None):
        if choices.definition is not None or choices.frame is not None:
            raise InputError(
                "orientation-incomplete",
                "--definition and --frame say how angles are meant, but no angle is given",
                "Give --inclination and --anteversion",
            )
        return None
    before = base.cup.orientation or proposed
    if None in stated and before is None:
        raise InputError("orientation-incomplete", "only one of --inclination and --anteversion is given", "Give both")
    content: dict[str, Any] = {
        "definition": choices.definition or (before.definition if before else base.targets.definition),
        "frame": choices.frame or (before.frame if before else base.targets.frame),
        "inclination_deg": choices.inclination,
        "anteversion_deg": choices.anteversion,
    }
    if before is not None:
        if None in stated and (content["definition"], content["frame"]) != (before.definition, before.frame):
            raise InputError(
                "orientation-incomplete",
                f"the other angle is known as {before.definition} in the {before.frame} frame only",
                "Give both angles",
            )
        for name in ("inclination_deg", "anteversion_deg"):
            if content[name] is None:
                content[name] = getattr(before, name)
    return validated(OrientationChoice, content, "orientation of the cup", _ANOTHER)


def _with_targets(base: PlanFile, path: Path) -> PlanFile:
    content = read_json(path)
    if isinstance(content, dict) and "schema" in content:
        return validated(PlanFile, content, path.name)
    return base.model_copy(update={"targets": validated(Targets, content, path.name)})
