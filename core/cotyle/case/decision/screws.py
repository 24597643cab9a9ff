"""decision/screws.json: where screws through the planned shell find bone, and how far they may go."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.screw_questions import ScrewAsked, ScrewQuestions
from cotyle.case.measurements import Doubt
from cotyle.case.results import vector_of
from cotyle.case.schema import Finite, Strict, Vector
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.center import center_shift
from cotyle.cup.inner_surface import distances_from_points
from cotyle.cup.screws.choice import (
    Bed,
    ShellMap,
    aim_map,
    aim_of,
    best_place,
    measure_screws,
    shell_map,
    steady_mm,
)
from cotyle.cup.screws.paths import Margins, depths_to
from cotyle.cup.screws.pelvic_surface import pelvic_surface
from cotyle.cup.screws.quadrants import AT_RISK, Quadrant, Quadrants, quadrant_at, quadrants_of
from cotyle.cup.wall_spread import SURFACE_UNCERTAINTY_MM, EdgeReader, crossing_spread_mm
from cotyle.errors import InputError
from cotyle.image.labels import hip_bone
from cotyle.image.sampling import sample
from cotyle.space.arrays import Array, unit
from cotyle.space.side import Side

PROPOSED_IN = (Quadrant.POSTERIOR_SUPERIOR, Quadrant.POSTERIOR_INFERIOR)
_FARTHEST_ASIDE_DEG = 60.0


class ProfileFact(Strict):
    """Density and distance to the inner surface along a screw, at depths from the shell."""

    depth_mm: tuple[Finite, ...]
    hu: tuple[Finite | None, ...]
    to_inner_surface_mm: tuple[Finite, ...]


class AimFact(Strict):
    """Safe lengths of leaning screws from the same place: rows by ``tilt_deg`` from straight, columns by ``turn_deg``.

    Turn 0 leans towards the ASIS, 90 to posterior. ``own_tilt_deg``, ``own_turn_deg``: those of the screw itself.
    """

    tilt_deg: tuple[Finite, ...]
    turn_deg: tuple[Finite, ...]
    safe_mm: tuple[tuple[Finite, ...], ...]
    own_tilt_deg: Finite
    own_turn_deg: Finite


class ScrewFact(Strict):
    """One screw; all lengths in mm from the shell's outer surface along it.

    ``bone_mm`` is the bone up to the exit, which a bicortical screw goes through at ``exit_mm``; ``exit_sd_mm`` is one
    standard deviation of the exit. ``safe_mm`` keeps the margins; ``steady_mm`` keeps them also where the hand drills
    beside; ``allowed_mm`` is that with the limit of its quadrant, 0 where the quadrant is to be avoided.
    """

    proposed: bool
    quadrant: Quadrant
    from_pole_deg: Finite
    around_deg: Finite
    start_lps_mm: Vector
    direction_lps: Vector
    aside_deg: Finite
    bone_from_mm: Finite
    bone_mm: Finite
    exit_mm: Finite
    exit_lps_mm: Vector
    exit_sd_mm: Finite
    into_pelvis: bool
    safe_mm: Finite
    steady_mm: Finite
    allowed_mm: Finite
    nearest_to_inner_surface_mm: Finite
    exit_to_inner_surface_mm: Finite
    mean_hu: Finite | None
    asked_mm: Finite | None
    profile: ProfileFact
    aim: AimFact


class QuadrantFact(Strict):
    """One quadrant: what lies behind it, and straight screws over it by area.

    ``share_20_mm``: share of its shell from which 20 mm are safe.
    """

    at_risk: str
    share_20_mm: Finite
    median_safe_mm: Finite
    mean_hu: Finite | None


class MapFact(Strict):
    """Straight screws over the shell, rows by ``from_pole_deg``, columns by ``around_deg``."""

    from_pole_deg: tuple[Finite, ...]
    around_deg: tuple[Finite, ...]
    safe_mm: tuple[tuple[Finite, ...], ...]
    exit_mm: tuple[tuple[Finite, ...], ...]
    mean_hu: tuple[tuple[Finite | None, ...], ...]


class ScrewFacts(DecisionFacts):
    """The whole of decision/screws.json; ``rise_share`` is the rise of the centre in native diameters."""

    schema_name: Literal["cotyle/screws"] = Field(default="cotyle/screws", alias="schema")
    version: Literal[1] = 1
    side: Side
    asis_lps_mm: Vector
    towards_asis_lps: Vector
    posterior_lps: Vector
    rise_mm: Finite
    rise_share: Finite
    quadrants: dict[Quadrant, QuadrantFact]
    screws: tuple[ScrewFact, ...]
    map: MapFact


def screws_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> ScrewFacts:
    """Return the bone that screws through the planned shell find.

    Raises
    ------
    InputError
        ``screw-direction`` for a direction that was given and does not leave the shell.
    """
    del seed
    asked, side = questions.screws, planned.plan.side
    frame = hip.frame
    medial = -side.lateral_sign * frame.left
    inner = pelvic_surface(hip.bone, hip.inner, planned.socket.center_lps_mm, medial, frame.superior)
    bed = Bed(planned.cup, hip.bone, inner, hip.scan)
    asis = planned.landmarks[f"asis_{side}"].lps_mm
    lines = quadrants_of(planned.cup, asis, frame.posterior)
    margins = Margins(asked.diameter_mm, asked.clearance_mm, asked.end_mm)
    found = shell_map(bed, lines, margins)
    reader = EdgeReader(hip.bone, planned.anatomy.edges[hip_bone(side)])
    screws = [_screw(each, False, bed, lines, asked, margins, reader) for each in asked.screws]
    for quadrant in PROPOSED_IN:
        place = best_place(bed, lines, quadrant, asked.longest_mm, asked.hand_deg, margins)
        if place is not None:
            straight = ScrewAsked(from_pole_deg=place[0], around_deg=place[1])
            screws.append(_screw(straight, True, bed, lines, asked, margins, reader))
    shift = center_shift(planned.socket.center_lps_mm, planned.cup.center_lps_mm, frame, side)
    share = shift.superior / planned.socket.diameter_mm
    return ScrewFacts(
        side=side,
        asis_lps_mm=vector_of(asis),
        towards_asis_lps=vector_of(lines.towards_asis_lps),
        posterior_lps=vector_of(lines.posterior_lps),
        rise_mm=shift.superior,
        rise_share=share,
        quadrants={each: _quadrant(each, found) for each in Quadrant},
        screws=tuple(screws),
        map=_map(found),
        assumptions=_assumptions(asked),
        doubts=_doubts(planned, asked, share, screws),
    )


def _screw(
    wanted: ScrewAsked,
    proposed: bool,
    bed: Bed,
    lines: Quadrants,
    asked: ScrewQuestions,
    margins: Margins,
    reader: EdgeReader,
) -> ScrewFact:
    place = lines.directions([wanted.from_pole_deg], [wanted.around_deg])
    direction = place if wanted.direction_lps is None else unit(wanted.direction_lps)[None]
    aside, _ = aim_of(lines, place[0], direction[0])
    if aside > _FARTHEST_ASIDE_DEG:
        raise InputError(
            "screw-direction",
            f"a screw's direction lies {aside:.0f} deg beside straight out of the shell",
            "Give a direction out of the shell into the bone, LPS",
        )
    found = measure_screws(bed, place, direction, margins)
    start = bed.cup.center_lps_mm + bed.cup.radius_mm * place[0]
    exit_mm = float(found.exit_mm[0])
    leaves = start + exit_mm * direction[0]
    steady = float(steady_mm(bed, lines, place, direction, asked.hand_deg, margins)[0])
    quadrant = quadrant_at(wanted.around_deg)
    nearest, at_exit = (float(np.nan_to_num(x[0], posinf=999.0)) for x in (found.nearest_mm, found.at_exit_mm))
    return ScrewFact(
        proposed=proposed,
        quadrant=quadrant,
        from_pole_deg=wanted.from_pole_deg,
        around_deg=wanted.around_deg,
        start_lps_mm=vector_of(start),
        direction_lps=vector_of(direction[0]),
        aside_deg=aside,
        bone_from_mm=float(found.bone_from_mm[0]),
        bone_mm=float(found.bone_mm[0]),
        exit_mm=exit_mm,
        exit_lps_mm=vector_of(leaves),
        exit_sd_mm=crossing_spread_mm(reader, leaves, direction[0], 0.0, SURFACE_UNCERTAINTY_MM),
        into_pelvis=bool(found.into_pelvis[0]),
        safe_mm=float(found.safe_mm[0]),
        steady_mm=steady,
        allowed_mm=_allowed_mm(quadrant, steady, asked),
        nearest_to_inner_surface_mm=nearest,
        exit_to_inner_surface_mm=at_exit,
        mean_hu=_known(float(found.mean_hu[0])),
        asked_mm=wanted.length_mm,
        profile=_profile(bed, start, direction[0], exit_mm),
        aim=_aim(bed, lines, place[0], direction[0], margins),
    )


def _aim(bed: Bed, lines: Quadrants, place: Array, direction: Array, margins: Margins) -> AimFact:
    found = aim_map(bed, lines, place, margins)
    tilt, turn = aim_of(lines, place, direction)
    return AimFact(
        tilt_deg=tuple(found.tilt_deg.tolist()),
        turn_deg=tuple(found.turn_deg.tolist()),
        safe_mm=tuple(tuple(round(float(x), 2) for x in row) for row in found.safe_mm),
        own_tilt_deg=tilt,
        own_turn_deg=turn,
    )


def _allowed_mm(quadrant: Quadrant, steady: float, asked: ScrewQuestions) -> float:
    if quadrant is Quadrant.POSTERIOR_SUPERIOR:
        return min(steady, asked.longest_mm)
    if quadrant is Quadrant.POSTERIOR_INFERIOR:
        return min(steady, asked.longest_posterior_inferior_mm)
    return 0.0


def _profile(bed: Bed, start: Array, direction: Array, exit_mm: float) -> ProfileFact:
    """Sample the way to 8 mm beyond the exit."""
    depth = depths_to(exit_mm + 8.0)
    points = start + depth[:, None] * direction
    distance, in_front = distances_from_points(bed.inner, points)
    past = np.logical_and(in_front, depth > exit_mm)
    values = sample(bed.volume, points, outside=np.nan)
    return ProfileFact(
        depth_mm=tuple(float(x) for x in depth),
        hu=tuple(_known(float(x)) for x in values),
        to_inner_surface_mm=tuple(float(x) for x in np.where(past, -distance, distance)),
    )


def _quadrant(quadrant: Quadrant, found: ShellMap) -> QuadrantFact:
    """Return the figures of one quadrant; places count by the area they stand for."""
    area = np.sin(np.deg2rad(found.from_pole_deg))[:, None] * np.ones(len(found.around_deg))
    own = np.array([quadrant_at(around) is quadrant for around in found.around_deg])
    weights = (area * own).ravel()
    own_place = np.asarray(weights > 0)
    safe, hu = found.paths.safe_mm, found.paths.mean_hu
    order = np.argsort(safe)
    half = np.searchsorted(np.cumsum(weights[order]), 0.5 * weights.sum())
    known = np.logical_and(np.isfinite(hu), own_place)
    return QuadrantFact(
        at_risk=AT_RISK[quadrant],
        share_20_mm=float(weights[safe >= 20.0].sum() / weights.sum()),
        median_safe_mm=float(safe[order[half]]),
        mean_hu=float(np.average(hu[known], weights=weights[known])) if known.any() else None,
    )


def _map(found: ShellMap) -> MapFact:
    def rows(values: Array, decimals: int) -> list[list[float | None]]:
        return [[_known(round(float(x), decimals)) for x in row] for row in found.grid(values)]

    return MapFact.model_validate(
        {
            "from_pole_deg": found.from_pole_deg.tolist(),
            "around_deg": found.around_deg.tolist(),
            "safe_mm": rows(found.paths.safe_mm, 2),
            "exit_mm": rows(found.paths.exit_mm, 2),
            "mean_hu": rows(found.paths.mean_hu, 0),
        }
    )


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _doubts(planned: PlannedCup, asked: ScrewQuestions, share: float, screws: list[ScrewFact]) -> tuple[Doubt, ...]:
    found = []
    if share >= asked.high_center_share:
        known = "as far as was studied" if share >= 0.5 else "half a diameter is what was studied"
        text = (
            f"The plan raises the hip centre by {share:.2f} of the native diameter: quadrants drawn on so high a cup "
            f"no longer tell where vessels and nerves lie ({known}; told from {asked.high_center_share:g} on, our "
            "choice)."
        )
        found.append(Doubt(code="quadrants-high-center", text=text))
    if not any(each.proposed and each.quadrant is Quadrant.POSTERIOR_SUPERIOR for each in screws):
        text = "No straight screw in the posterior-superior quadrant keeps its margins when the hand drills beside."
        found.append(Doubt(code="no-steady-screw", text=text))
    if planned.plan.side in planned.anatomy.skeleton.metal_cups:
        text = "This hip holds metal: density along screws is spoilt by it, and bone beside it is a guess."
        found.append(Doubt(code="screws-beside-metal", text=text))
    for number, each in enumerate((screw for screw in screws if not screw.proposed), start=1):
        found += [Doubt(code=f"screw-{number}", text=f"Screw {number}: {words}.") for words in _faults(each)]
    return tuple(found)


def _faults(screw: ScrewFact) -> list[str]:
    """Say what speaks against a screw that was asked for."""
    found = []
    if screw.bone_mm == 0.0:
        return ["it meets no bone"]
    if screw.allowed_mm == 0.0 and screw.quadrant not in PROPOSED_IN:
        found.append(f"it starts in the {screw.quadrant} quadrant, in front of the {AT_RISK[screw.quadrant]}")
    if screw.asked_mm is None:
        return found
    if screw.asked_mm > screw.exit_mm:
        where = "into the pelvis" if screw.into_pelvis else "out of the bone"
        found.append(f"{screw.asked_mm:.0f} mm reach {screw.asked_mm - screw.exit_mm:.1f} mm {where}")
    elif screw.asked_mm > screw.safe_mm:
        found.append(f"{screw.asked_mm:.0f} mm are more than the {screw.safe_mm:.1f} mm that keep the margins")
    elif screw.asked_mm > screw.steady_mm:
        found.append(
            f"{screw.asked_mm:.0f} mm keep the margins only if drilled as planned; {screw.steady_mm:.1f} mm forgive "
            "the hand"
        )
    return found


def _assumptions(asked: ScrewQuestions) -> tuple[str, ...]:
    return (
        f"Screws of {asked.diameter_mm:g} mm that keep {asked.clearance_mm:g} mm from the pelvic surface and end "
        f"{asked.end_mm:g} mm before the far exit; the hand drills up to {asked.hand_deg:g} deg beside (common "
        "practice and our choice, no source).",
        "Lengths count from the shell's outer surface; what lies within the shell comes on top.",
        "Bone only: vessels and nerves do not show in these surfaces, and quadrants are a rule, not a map of them.",
        "Quadrants after Wasielewski et al., J Bone Joint Surg Am 1990;72:501, on the planned cup.",
    )
