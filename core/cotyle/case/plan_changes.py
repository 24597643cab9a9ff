"""Changes of a complete plan: one number of the cup at a time, the rest as it was.

Every number is rounded as it stands in files, so that a plan that is saved and read again is the same plan. What the
user changes no longer counts as proposed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import BaseModel

from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.json_text import DECIMALS, plain
from cotyle.case.plan_file import CupChoice, FrameName, OrientationChoice, PlanFile
from cotyle.case.schema import validated
from cotyle.case.stages import MEASURING_FRAME, cup_of
from cotyle.cup.center import center_shift, shifted
from cotyle.cup.component import checked_cup_diameter_mm
from cotyle.cup.orientation import Definition, Orientation, convert, orientation_of_axis
from cotyle.errors import InputError
from cotyle.space.arrays import Array

_REMEDY = "Choose another value"


def with_cup(plan: PlanFile, **chosen: Any) -> PlanFile:
    """Return the plan with ``center_lps_mm``, ``outer_diameter_mm`` or ``orientation`` as chosen.

    A value that is there already changes nothing: it stays proposed if it was.

    Raises
    ------
    InputError
        ``cup-size``, ``field-invalid`` for what no plan holds, ``not-finite``.
    """
    if chosen.get("outer_diameter_mm") is not None:
        chosen["outer_diameter_mm"] = checked_cup_diameter_mm(chosen["outer_diameter_mm"])
    before = _plain(plan.cup.model_dump())
    values = _plain({name: _fields(value) for name, value in chosen.items()})
    changed = {name: value for name, value in values.items() if name not in before or value != before[name]}
    content = {**plan.cup.model_dump(), **changed}
    content["proposed"] = [name for name in plan.cup.proposed if name not in changed]
    if "center_lps_mm" in changed:
        content |= {"notes": (), "limited_by": None}
    return plan.model_copy(update={"cup": validated(CupChoice, content, "the cup", _REMEDY)})


def with_section(plan: PlanFile, name: str, value: Any) -> PlanFile:
    """Return the plan with another ``targets``, ``posture`` or ``reaming``: its model, whole, or fields that change."""
    model = type(getattr(plan, name))
    content = _fields(value) if isinstance(value, model) else {**getattr(plan, name).model_dump(), **value}
    return plan.model_copy(update={name: validated(model, _plain(content), name, _REMEDY)})


def orientation_in(plan: PlanFile, pelvis: Pelvis, definition: Definition, frame: FrameName) -> OrientationChoice:
    """Return the orientation of the plan's cup in a definition and a frame; as it stands if it is given so.

    Raises
    ------
    InputError
        ``orientation-undefined`` where the definition leaves an angle open.
    """
    cup, own = cup_of(plan, pelvis), plan.cup.orientation
    if own is not None and own.definition is definition and own.frame == frame:
        return own
    if own is not None and own.frame == frame:
        given = Orientation(own.inclination_deg, own.anteversion_deg)
        return _choice(convert(given, own.definition, definition), definition, frame)
    found = orientation_of_axis(cup.opening_axis_lps, pelvis.frames[frame], plan.side, definition)
    return _choice(found, definition, frame)


def with_angles(
    plan: PlanFile,
    pelvis: Pelvis,
    definition: Definition,
    frame: FrameName,
    inclination_deg: float | None = None,
    anteversion_deg: float | None = None,
) -> PlanFile:
    """Return the plan with one or both angles changed, as a definition and a frame name them; the other one stays."""
    now = orientation_in(plan, pelvis, definition, frame)
    changed = {
        "inclination_deg": now.inclination_deg if inclination_deg is None else inclination_deg,
        "anteversion_deg": now.anteversion_deg if anteversion_deg is None else anteversion_deg,
        "definition": definition,
        "frame": frame,
    }
    return with_cup(plan, orientation=changed)


def with_axis(plan: PlanFile, pelvis: Pelvis, opening_axis_lps: Array) -> PlanFile:
    """Return the plan with the cup opening along an axis, (3,) LPS, told in the plan's own definition and frame."""
    own = plan.cup.orientation or plan.targets
    found = orientation_of_axis(opening_axis_lps, pelvis.frames[own.frame], plan.side, own.definition)
    return with_cup(plan, orientation=_choice(found, own.definition, own.frame))


def moved(
    plan: PlanFile,
    pelvis: Pelvis,
    along_axis_mm: float = 0.0,
    medial_mm: float = 0.0,
    superior_mm: float = 0.0,
    anterior_mm: float = 0.0,
) -> PlanFile:
    """Return the plan with the cup moved: into the bone along its axis, and in the words of the measuring frame."""
    cup = cup_of(plan, pelvis)
    inwards = np.asarray(cup.center_lps_mm - along_axis_mm * cup.opening_axis_lps)
    center = shifted(inwards, pelvis.frames[MEASURING_FRAME], plan.side, medial_mm, superior_mm, anterior_mm)
    return with_cup(plan, center_lps_mm=center)


def shifted_to(
    plan: PlanFile,
    pelvis: Pelvis,
    native_center_lps_mm: Array,
    medial_mm: float | None = None,
    superior_mm: float | None = None,
    anterior_mm: float | None = None,
) -> PlanFile:
    """Return the plan with the hip centre at a shift from the native one in the measuring frame; None keeps its own."""
    frame = pelvis.frames[MEASURING_FRAME]
    now = center_shift(native_center_lps_mm, cup_of(plan, pelvis).center_lps_mm, frame, plan.side)
    center = shifted(
        native_center_lps_mm,
        frame,
        plan.side,
        now.medial if medial_mm is None else medial_mm,
        now.superior if superior_mm is None else superior_mm,
        now.anterior if anterior_mm is None else anterior_mm,
    )
    return with_cup(plan, center_lps_mm=center)


def in_posture(plan: PlanFile, before: Pelvis, after: Pelvis, posture: Any) -> PlanFile:
    """Return the plan with another posture and the cup where it was in the pelvis.

    Angles that are given in the standing frame are read off anew: another posture turns that frame, not the cup.
    """
    changed = with_section(plan, "posture", posture)
    own, stands = plan.cup.orientation, changed.posture.standing_tilt_change_deg
    if own is None or own.frame != "standing" or stands == plan.posture.standing_tilt_change_deg:
        return changed
    axis = cup_of(plan, before).opening_axis_lps
    found = orientation_of_axis(axis, after.frames[own.frame], plan.side, own.definition)
    content = {**plan.cup.model_dump(), "orientation": _choice(found, own.definition, own.frame).model_dump()}
    return changed.model_copy(update={"cup": validated(CupChoice, _plain(content), "the cup", _REMEDY)})


def with_open_proposals(plan: PlanFile) -> PlanFile:
    """Return the plan with what the program had proposed open again: it follows the corrected bones."""
    content: dict[str, Any] = plan.cup.model_dump()
    for name in plan.cup.proposed:
        content[name] = None
    content |= {"proposed": (), "notes": (), "limited_by": None}
    return plan.model_copy(update={"cup": CupChoice.model_validate(content)})


def _choice(found: Orientation, definition: Definition, frame: FrameName) -> OrientationChoice:
    return OrientationChoice(
        inclination_deg=round(found.inclination_deg, DECIMALS),
        anteversion_deg=round(found.anteversion_deg, DECIMALS),
        definition=definition,
        frame=frame,
    )


def _fields(value: Any) -> Any:
    return value.model_dump() if isinstance(value, BaseModel) else value


def _plain(values: dict[str, Any]) -> Any:
    """Return the values as they stand in files."""
    try:
        return plain(values)
    except ValueError as error:
        raise InputError("not-finite", "a plan holds finite numbers only", _REMEDY) from error
