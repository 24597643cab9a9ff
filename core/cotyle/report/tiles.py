"""The seven figures always in view, on paper and on the screen, from one piece: value, unit, spread and meaning."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from cotyle.case.live import LiveNumbers
from cotyle.case.measurements import Angles, Measurements
from cotyle.case.plan_file import FrameName, PlanFile
from cotyle.case.stages import MEASURING_FRAME
from cotyle.case.uncertainty import orientation_uncertainty
from cotyle.cup.orientation import Definition


@dataclass(frozen=True)
class Tile:
    """One of the seven figures: value, unit, spread (two standard deviations) and what they mean.

    ``waiting``: the spread, or whether the figure is bad, is still being worked out for this plan.
    """

    name: str
    value: str
    unit: str
    spread: str
    note: str
    bad: bool = False
    waiting: bool = False


class _Way(Protocol):
    @property
    def medial(self) -> float: ...
    @property
    def superior(self) -> float: ...
    @property
    def anterior(self) -> float: ...


class _Wall(Protocol):
    @property
    def along_axis_mm(self) -> float: ...
    @property
    def advance_mm(self) -> float: ...
    @property
    def minimum_mm(self) -> float: ...
    @property
    def breached(self) -> bool: ...
    @property
    def uncertainty_mm(self) -> float: ...
    @property
    def minimum_uncertainty_mm(self) -> float | None: ...


class _Fit(Protocol):
    @property
    def interference_mm(self) -> float: ...
    @property
    def proud_mm(self) -> float: ...


@dataclass(frozen=True)
class _Figures:
    """What the tiles are made of, from a measurement or from numbers that follow a hand."""

    definition: Definition
    frame: str
    angles: Angles | None
    angles_sd: Angles | None
    wall: _Wall
    coverage: float
    coverage_sd: float | None
    shift: _Way
    shift_sd_mm: float | None
    fit: _Fit
    codes: frozenset[str] = field(default_factory=frozenset)
    waiting: bool = False


def tiles(plan: PlanFile, measured: Measurements) -> list[Tile]:
    """Return the seven figures of a measured plan in their fixed order, in the targets' definition and frame."""
    frame, shift = plan.targets.frame, measured.center_shift
    return _tiles(
        plan,
        _Figures(
            plan.targets.definition,
            frame,
            measured.orientation[frame][plan.targets.definition],
            measured.orientation_uncertainty_deg.get(frame),
            measured.wall,
            measured.coverage.fraction,
            measured.coverage.uncertainty,
            shift.from_native_mm,
            shift.uncertainty_mm,
            measured.press_fit,
            frozenset(warning.code for warning in measured.warnings),
        ),
    )


def live_tiles(
    numbers: LiveNumbers, definition: Definition, frame: FrameName, measured: Measurements | None
) -> list[Tile]:
    """Return the seven figures of a plan that is being changed, in a definition and a frame.

    ``measured`` is the whole measurement of the same plan, None while it is being made: the spread of the coverage and
    what is bad are then not known yet.
    """
    plan, pelvis = numbers.plan, numbers.pelvis
    spread = orientation_uncertainty(numbers.cup.opening_axis_lps, pelvis.frames[frame], pelvis, plan.side, definition)
    return _tiles(
        plan,
        _Figures(
            definition,
            frame,
            numbers.orientations[frame].get(definition),
            Angles(inclination_deg=spread.inclination_deg, anteversion_deg=spread.anteversion_deg),
            numbers.wall,
            numbers.coverage.fraction,
            measured.coverage.uncertainty if measured else None,
            numbers.center_shift,
            numbers.hip.socket.center_uncertainty_mm,
            numbers.press_fit,
            frozenset(warning.code for warning in measured.warnings) if measured else frozenset(),
            waiting=measured is None,
        ),
    )


def minus(text: str) -> str:
    """Return the text with true minus signs, which line up with plus."""
    return text.replace("-", "−")


def _tiles(plan: PlanFile, known: _Figures) -> list[Tile]:
    wall, codes = known.wall, known.codes
    least_sd = wall.minimum_uncertainty_mm or wall.uncertainty_mm
    return [
        _angle("Inclination", "inclination_deg", plan, known),
        _angle("Anteversion", "anteversion_deg", plan, known),
        Tile(
            "Wall along the axis",
            "breached" if wall.along_axis_mm == 0 else f"{wall.along_axis_mm:.1f}",
            "" if wall.along_axis_mm == 0 else "mm",
            "" if wall.along_axis_mm == 0 else f"{2 * wall.uncertainty_mm:.1f}",
            f"bone from pole to exit; {wall.advance_mm:.1f} mm of way",
            wall.along_axis_mm == 0,
        ),
        Tile(
            "Least wall",
            "breached" if wall.breached else f"{wall.minimum_mm:.1f}",
            "" if wall.breached else "mm",
            "" if wall.breached else f"{2 * least_sd:.1f}",
            "cavity floor to inner surface, anywhere",
            wall.breached or bool(codes & {"wall-breached", "wall-thin"}),
        ),
        Tile(
            "Coverage",
            f"{100 * known.coverage:.0f}",
            "%",
            f"{200 * known.coverage_sd:.0f}" if known.coverage_sd is not None else "",
            "share of the shell on host bone, by area; quarters in the supine frame",
            "coverage-low" in codes,
            known.waiting,
        ),
        Tile(
            "Centre shift",
            f"{(known.shift.medial**2 + known.shift.superior**2 + known.shift.anterior**2) ** 0.5:.1f}",
            "mm",
            f"{2 * known.shift_sd_mm:.1f}" if known.shift_sd_mm is not None else "",
            f"{shift_words(known.shift)} of the native centre, {MEASURING_FRAME} frame",
            "center-high" in codes,
        ),
        Tile(
            "Proud stance",
            f"{known.fit.proud_mm:.1f}",
            "mm",
            "",
            f"before seating, press-fit {known.fit.interference_mm:g} mm; exact for these diameters",
            "press-fit-unusual" in codes,
        ),
    ]


def _angle(name: str, field_name: str, plan: PlanFile, known: _Figures) -> Tile:
    target = plan.targets
    stated = f"{known.definition}, {known.frame} frame"
    comparable = (target.definition, target.frame) == (known.definition, known.frame)
    aim = f"target {getattr(target, field_name):g}" if comparable else "the target is stated otherwise"
    if known.angles is None:
        return Tile(name, "open", "", "", f"{stated} leaves it open")
    return Tile(
        name,
        minus(f"{getattr(known.angles, field_name):.1f}"),
        "deg",
        f"{2 * getattr(known.angles_sd, field_name):.1f}" if known.angles_sd else "",
        f"{stated}; {aim}",
        "orientation-off-target" in known.codes,
    )


def shift_words(shift: _Way) -> str:
    """Return the parts of a shift that are worth naming, such as ``3.2 medial, 1.0 superior``."""
    pairs = (
        (shift.medial, "medial", "lateral"),
        (shift.superior, "superior", "inferior"),
        (shift.anterior, "anterior", "posterior"),
    )
    parts = [f"{abs(value):.1f} {plus if value > 0 else other}" for value, plus, other in pairs if abs(value) >= 0.05]
    return ", ".join(parts) if parts else "at the place"
