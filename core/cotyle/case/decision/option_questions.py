"""What may be given about the options: limits, pins and the centre that should be restored."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from cotyle.case.plan_file import CupDiameter, Degrees, ShiftLength, WallLeft
from cotyle.case.schema import Strict


class PinQuestions(Strict):
    """Variables that are settled; shifts are of the hip centre from the native one in the measuring frame."""

    medial_mm: ShiftLength | None = None
    superior_mm: ShiftLength | None = None
    anterior_mm: ShiftLength | None = None
    outer_diameter_mm: CupDiameter | None = None
    inclination_deg: Degrees | None = None
    anteversion_deg: Degrees | None = None


class OptionQuestions(Strict):
    """Limits that no option may break; sources of the defaults in :mod:`cotyle.cup.options.limits`.

    ``least_wall_mm`` and ``enough_wall_mm`` None: the plan's least wall and wall along the axis. ``high_center``: set a
    high centre against the wanted height; None does so where it is worth it.
    """

    least_wall_mm: WallLeft | None = None
    largest_rise_mm: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] = 15.0
    largest_size_mm: CupDiameter | None = None
    smallest_size_mm: CupDiameter | None = None
    least_cover: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.60
    enough_wall_mm: WallLeft | None = None
    margin_deg: Annotated[float, Field(ge=0, le=45, allow_inf_nan=False)] = 5.0
    restore: Literal["auto", "native", "opposite"] = "auto"
    high_center: bool | None = None
    pins: PinQuestions = PinQuestions()
