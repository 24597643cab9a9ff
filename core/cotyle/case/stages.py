"""The pipeline as pure functions: scan, anatomy, plan. Nothing here writes a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from cotyle.anatomy.landmarks import Landmarks
from cotyle.anatomy.mirrored_half import MirroredHalf, lay_halves
from cotyle.anatomy.pelvis import Pelvis, in_posture
from cotyle.anatomy.segmentation.edge_confidence import Edge
from cotyle.anatomy.sockets.socket import Socket
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.json_text import DECIMALS
from cotyle.case.plan_file import CupChoice, OrientationChoice, PlanFile
from cotyle.case.schema import validated
from cotyle.cup import proposal
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.coverage import Coverage, coverage_spread, measure_coverage
from cotyle.cup.depth_track import DepthTrack, depth_track
from cotyle.cup.inner_surface import InnerSurface, inner_surface
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.quick import Ground
from cotyle.cup.orientation import Orientation, axis_from_orientation
from cotyle.cup.reaming import FirstDirection, StepResult, assess_reaming, default_steps, first_direction
from cotyle.cup.soft_bed import SoftBed, find_soft_bed
from cotyle.cup.wall import Wall, measure_wall
from cotyle.cup.wall_gaps import deep_density_hu
from cotyle.errors import InputError
from cotyle.image.labels import hip_bone
from cotyle.image.read import read_volume
from cotyle.image.series_info import SeriesInfo
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side
from cotyle.space.solid_cells import SolidCells, solid_cells

Progress = Callable[[str], None]
MEASURING_FRAME = "supine"
"""Frame of the words medial, superior, anterior in shifts, sectors and paths."""
CELLS_HALF_MM = 65.0
"""How far about the socket it is known beforehand where bone is: a large cup, moved a long way."""


@dataclass(frozen=True, eq=False)
class PlannedCup:
    """A plan and all that was measured on it; the source of measurements.json and of the report."""

    plan: PlanFile
    anatomy: Anatomy
    pelvis: Pelvis
    socket: Socket
    cup: Cup
    steps: tuple[StepResult, ...]
    first: FirstDirection
    wall: Wall
    coverage: Coverage
    coverage_uncertainty: float
    soft_bed: SoftBed
    track: DepthTrack

    @property
    def cavity(self) -> Cavity:
        """What the reamers leave."""
        return Cavity(self.reamers)

    @property
    def reamers(self) -> tuple[ReamingStep, ...]:
        """The steps without their results."""
        return tuple(result.step for result in self.steps)

    @property
    def hip_bone(self) -> TriangleMesh:
        """The hip bone that receives the cup."""
        return self.anatomy.surfaces[hip_bone(self.plan.side)]

    @property
    def landmarks(self) -> Landmarks:
        """Landmarks by name."""
        return self.anatomy.landmarks


@dataclass(frozen=True, eq=False)
class Hip:
    """One hip of a case ready to be measured on: all that no cup and no posture changes."""

    side: Side
    anatomy: Anatomy
    scan: Volume
    lying: Pelvis
    socket: Socket
    bone: TriangleMesh
    inner: InnerSurface

    def pelvis(self, standing_tilt_change_deg: float) -> Pelvis:
        """Return the frames for a posture."""
        return in_posture(self.lying, standing_tilt_change_deg)

    @cached_property
    def cells(self) -> SolidCells:
        """Where the hip bone is, about the socket."""
        return solid_cells(self.bone, self.socket.center_lps_mm, CELLS_HALF_MM)

    @cached_property
    def ground(self) -> Ground:
        """What trying thousands of cups needs."""
        center = self.socket.center_lps_mm
        return Ground(bone_field(self.bone, center), self.inner, center)

    @cached_property
    def halves(self) -> MirroredHalf:
        """One hip bone laid onto the other, mirrored, by the clear edges of both."""
        bones = {side: hip_bone(side) for side in Side}
        clear = {side: np.asarray(self.anatomy.edges[name].kind == Edge.CLEAR) for side, name in bones.items()}
        return lay_halves({side: self.anatomy.surfaces[name] for side, name in bones.items()}, clear)

    @cached_property
    def deep_hu(self) -> Array:
        """Density well inside the hip bone, by vertex."""
        return deep_density_hu(self.bone, self.scan)

    @property
    def frame(self) -> Frame:
        """The measuring frame; it is the same in every posture."""
        return self.lying.frames[MEASURING_FRAME]


def hip_of(anatomy: Anatomy, scan: Volume, side: Side) -> Hip:
    """Make one hip of a case ready; raises ``socket-missing`` and ``inner-surface-missing``."""
    pelvis, socket, bone = anatomy.pelvis(0.0), anatomy.socket(side), anatomy.surfaces[hip_bone(side)]
    frame = pelvis.frames[MEASURING_FRAME]
    inner = inner_surface(bone, socket.center_lps_mm, -side.lateral_sign * frame.left, frame.superior)
    return Hip(side, anatomy, scan, pelvis, socket, bone, inner)


def read_scan(path: Path, series: str | None, repair: bool) -> tuple[Volume, SeriesInfo]:
    """Read a scan that is to be planned on; errors as in :func:`cotyle.image.read.read_volume`."""
    return read_volume(path, series=series, repair=repair, for_planning=True)


def plan_cup(anatomy: Anatomy, scan: Volume, plan: PlanFile, progress: Progress = lambda _: None) -> PlannedCup:
    """Propose what the plan leaves open and measure the cup; see :func:`plan_on`."""
    return plan_on(hip_of(anatomy, scan, plan.side), plan, progress)


def plan_on(hip: Hip, plan: PlanFile, progress: Progress = lambda _: None, *, with_map: bool = True) -> PlannedCup:
    """Propose what the plan leaves open and measure the cup on a hip that is ready; the map of the wall if wanted.

    The result's plan holds the cup in full, with numbers rounded as in its file, and every measurement is made on those
    rounded numbers: planning and measuring a file again give the same.
    """
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    anatomy, socket, bone, inner, scan, frame = hip.anatomy, hip.socket, hip.bone, hip.inner, hip.scan, hip.frame
    progress("placing the cup")
    full = completed(hip, plan)
    cup = cup_of(full, pelvis)
    progress("measuring wall, coverage and reaming")
    steps = steps_of(full, cup, hip)
    results = assess_reaming(steps, bone, inner, frame, plan.side, socket.center_lps_mm, scan, anatomy.blur)
    edges = anatomy.edges[hip_bone(plan.side)]
    wall = wall_of(steps, hip, with_map=with_map)
    soft_bed = soft_bed_of(cup, hip)
    coverage = coverage_of(cup, soft_bed, hip)
    return PlannedCup(
        plan=full,
        anatomy=anatomy,
        pelvis=pelvis,
        socket=socket,
        cup=cup,
        steps=results,
        first=first_direction(cup, socket.center_lps_mm, frame),
        wall=wall,
        coverage=coverage,
        coverage_uncertainty=coverage_spread(bone, edges, cup, frame, soft_bed),
        soft_bed=soft_bed,
        track=depth_track(cup, steps, wall, bone, socket.rim_plane, scan),
    )


def steps_of(plan: PlanFile, cup: Cup, hip: Hip) -> tuple[ReamingStep, ...]:
    """Return the reaming steps of a complete plan."""
    return default_steps(
        cup,
        hip.socket.center_lps_mm,
        hip.bone,
        first_under_mm=plan.reaming.first_under_mm,
        last_under_mm=plan.reaming.last_under_mm,
    )


def wall_of(steps: tuple[ReamingStep, ...], hip: Hip, with_map: bool) -> Wall:
    """Return the wall behind the finished cavity."""
    edges = hip.anatomy.edges[hip_bone(hip.side)]
    return measure_wall(
        hip.bone, hip.inner, Cavity(steps), hip.scan, blur=hip.anatomy.blur, edges=edges, with_map=with_map
    )


def soft_bed_of(cup: Cup, hip: Hip) -> SoftBed:
    """Return where the shell lies in soft tissue within the bone."""
    return find_soft_bed(hip.bone, cup, hip.scan, hip.anatomy.blur, hip.deep_hu)


def coverage_of(cup: Cup, soft_bed: SoftBed, hip: Hip) -> Coverage:
    """Return how the bone covers a cup."""
    return measure_coverage(hip.bone, cup, hip.frame, soft_bed=soft_bed, cells=hip.cells)


def completed(hip: Hip, plan: PlanFile) -> PlanFile:
    """Return the plan with everything proposed that it left open."""
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    floor = _medial_floor(hip.anatomy, hip.socket, hip.frame)
    return complete_plan(plan, pelvis, hip.socket, floor, hip.bone, hip.inner)


def complete_plan(
    plan: PlanFile, pelvis: Pelvis, socket: Socket, floor_lps_mm: Array, bone: TriangleMesh, inner: InnerSurface
) -> PlanFile:
    """Return the plan with everything proposed that it left open; the cavity goes no farther in than the floor."""
    targets, chosen = plan.targets, plan.cup
    angles = chosen.orientation or OrientationChoice(
        inclination_deg=targets.inclination_deg,
        anteversion_deg=targets.anteversion_deg,
        definition=targets.definition,
        frame=targets.frame,
    )
    wanted = proposal.Targets(
        outer_diameter_mm=chosen.outer_diameter_mm,
        inclination_deg=angles.inclination_deg,
        anteversion_deg=angles.anteversion_deg,
        definition=angles.definition,
        frame=angles.frame,
        center_lps_mm=chosen.center_lps_mm,
        medial_mm=targets.medial_mm,
        superior_mm=targets.superior_mm,
        anterior_mm=targets.anterior_mm,
        wall_along_axis_mm=targets.wall_along_axis_mm,
        least_wall_mm=targets.least_wall_mm,
        first_reamer_under_mm=plan.reaming.first_under_mm,
        last_reamer_under_mm=plan.reaming.last_under_mm,
    )
    proposed = proposal.propose(
        plan.side,
        socket.center_lps_mm,
        socket.diameter_mm,
        floor_lps_mm,
        bone,
        inner,
        pelvis.frames,
        wanted,
    )
    fields = ("center_lps_mm", "outer_diameter_mm", "orientation")
    content = {
        "center_lps_mm": tuple(round(float(x), DECIMALS) for x in proposed.cup.center_lps_mm),
        "outer_diameter_mm": round(proposed.cup.outer_diameter_mm, DECIMALS),
        "orientation": angles.model_dump(),
        "notes": proposed.notes if chosen.center_lps_mm is None else chosen.notes,
        "limited_by": proposed.limited_by if chosen.center_lps_mm is None else chosen.limited_by,
        "proposed": [name for name in fields if getattr(chosen, name) is None or name in chosen.proposed],
    }
    cup = validated(CupChoice, content, "the cup")
    return plan.model_copy(update={"cup": cup})


def cup_of(plan: PlanFile, pelvis: Pelvis) -> Cup:
    """Return the cup of a complete plan."""
    chosen = plan.cup
    if chosen.center_lps_mm is None or chosen.outer_diameter_mm is None or chosen.orientation is None:
        raise InputError("plan-incomplete", "the plan doesn't say where its cup is", "Plan the case again")
    angles = chosen.orientation
    axis = axis_from_orientation(
        Orientation(angles.inclination_deg, angles.anteversion_deg),
        angles.definition,
        pelvis.frames[angles.frame],
        plan.side,
    )
    return Cup(plan.side, np.array(chosen.center_lps_mm), axis, chosen.outer_diameter_mm)


def _medial_floor(anatomy: Anatomy, socket: Socket, frame: Frame) -> Array:
    """Return the most medial known point of the fossa's floor: its deepest one below the rim, or the teardrop."""
    points = [socket.fossa_floor_lps_mm]
    drop = anatomy.landmarks.get(f"teardrop_{socket.side}")
    if drop is not None:
        points.append(drop.lps_mm)
    return min(points, key=lambda point: socket.side.lateral_sign * float(point @ frame.left))
