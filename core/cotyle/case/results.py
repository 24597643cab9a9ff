"""From what was measured to the fields of measurements.json and landmarks.json."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from cotyle import __version__
from cotyle.anatomy.findings import Finding
from cotyle.anatomy.landmarks import Landmark
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket import Socket
from cotyle.anatomy.sockets.socket_ways import SocketWay
from cotyle.case import measurements as m
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.anatomy_stages import given_of
from cotyle.case.plan_file import Corrections, GivenLabels, GivenPoint
from cotyle.case.produced_by import produced_by
from cotyle.case.stages import MEASURING_FRAME, PlannedCup
from cotyle.case.uncertainty import orientation_uncertainty
from cotyle.case.verdict import plan_doubts, plan_verdict
from cotyle.case.warnings import warnings_of
from cotyle.cup.center import CenterShift, center_shift
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, orientation_of_axis
from cotyle.cup.press_fit import press_fit
from cotyle.cup.reaming import StepResult
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.side import Side


def measurements_of(planned: PlannedCup, cues: Mapping[str, Mapping[str, Any]]) -> m.Measurements:
    """Return everything as it stands in measurements.json; ``cues`` by name of the view."""
    cup, pelvis, side, socket = planned.cup, planned.pelvis, planned.plan.side, planned.socket
    source = planned.anatomy.source
    wall, coverage = planned.wall, planned.coverage
    supine = pelvis.frames[MEASURING_FRAME]
    return m.Measurements(
        software=f"cotyle {__version__}",
        produced_by=produced_by(),
        synthetic=source.synthetic,
        side=side,
        ct=m.ScanFacts(voxel_mm=source.voxel_mm, size=source.size, series=source.series, repairs=source.repairs),
        landmarks={name: _landmark(mark) for name, mark in planned.anatomy.landmarks.items()},
        pelvis=_pelvis(pelvis),
        native=_native(socket, pelvis, side),
        cup=_cup(cup),
        orientation=orientations(cup.opening_axis_lps, pelvis, side),
        orientation_uncertainty_deg={
            name: _angles(orientation_uncertainty(cup.opening_axis_lps, frame, pelvis, side, Definition.RADIOGRAPHIC))
            for name, frame in pelvis.frames.items()
        },
        frames={name: _frame(frame) for name, frame in pelvis.frames.items()},
        wall=m.WallFacts(
            along_axis_mm=wall.along_axis_mm,
            advance_mm=wall.advance_mm,
            minimum_mm=wall.minimum_mm,
            minimum_at_lps_mm=vector_of(wall.minimum_at_lps_mm),
            breached=wall.breached,
            uncertainty_mm=wall.uncertainty_mm,
            minimum_uncertainty_mm=wall.minimum_uncertainty_mm,
        ),
        coverage=m.CoverageFacts(
            fraction=coverage.fraction,
            sectors=m.SectorFacts(**coverage.sectors),
            uncertainty=planned.coverage_uncertainty,
            near_fraction=coverage.near_fraction,
            uncovered_arc_deg=coverage.uncovered_arc_deg,
            superolateral_overhang_mm=coverage.overhang_mm,
        ),
        center_shift=_center_shift(cup, socket, supine, side),
        reaming=tuple(_step(result) for result in planned.steps),
        reaming_advice=_advice(planned),
        press_fit=_press_fit(planned),
        cues={view: dict(content) for view, content in cues.items()},
        bone_quality=dict(planned.anatomy.quality),
        edge_shares={name: _shares(edges) for name, edges in planned.anatomy.edges.items()},
        given_labels=corrections_of(planned.anatomy).labels,
        verdict=plan_verdict(planned),
        findings=tuple(finding_facts(each) for each in (*planned.anatomy.doubts, *plan_doubts(planned))),
        warnings=tuple(m.Doubt(code=code, text=text) for code, text in warnings_of(planned)),
    )


def orientations(axis_lps: Array, pelvis: Pelvis, side: Side) -> dict[str, dict[Definition, m.Angles]]:
    """Return the orientation in each frame and definition; a definition that leaves an angle open is left out."""
    table: dict[str, dict[Definition, m.Angles]] = {}
    for name, frame in pelvis.frames.items():
        table[name] = {}
        for definition in Definition:
            try:
                table[name][definition] = _angles(orientation_of_axis(axis_lps, frame, side, definition))
            except InputError:
                continue
    return table


def corrections_of(anatomy: Anatomy) -> Corrections:
    """Return what the user gave in place of what was found."""
    points = {
        name: GivenPoint(lps_mm=vector_of(mark.lps_mm), uncertainty_mm=mark.uncertainty_mm)
        for name, mark in given_of(anatomy.landmarks).items()
    }
    labels = tuple(
        GivenLabels(bones=each.bones, changed_ml=dict(each.changed_ml), digest=each.digest)
        for each in anatomy.skeleton.given
    )
    return Corrections(landmarks=points, labels=labels)


def finding_facts(finding: Finding) -> m.FindingFacts:
    """Return a finding as it stands in files."""
    return m.FindingFacts(
        code=finding.code,
        text=finding.text,
        grade=finding.grade,
        concerns=finding.concerns,
        side=finding.side,
        landmarks=finding.landmarks,
        places_lps_mm=finding.places_lps_mm,
    )


def _shares(edges: EdgeConfidence) -> dict[str, float]:
    return {kind.name.lower(): float((edges.kind == kind).mean()) for kind in Edge}


def _landmark(mark: Landmark) -> m.LandmarkFacts:
    return m.LandmarkFacts(
        lps_mm=vector_of(mark.lps_mm), origin=str(mark.origin), uncertainty_mm=float(mark.uncertainty_mm)
    )


def _pelvis(pelvis: Pelvis) -> m.PelvisFacts:
    spread = pelvis.uncertainty
    return m.PelvisFacts(
        anterior_tilt_deg=pelvis.anterior_tilt_deg,
        rotation_to_left_deg=pelvis.rotation_to_left_deg,
        left_up_deg=pelvis.left_up_deg,
        standing_tilt_change_deg=pelvis.standing_tilt_change_deg,
        uncertainty_deg={
            "anterior_tilt": spread.anterior_tilt_deg,
            "rotation_to_left": spread.rotation_to_left_deg,
            "left_up": spread.left_up_deg,
        },
    )


def _native(socket: Socket, pelvis: Pelvis, side: Side) -> m.NativeFacts:
    mirrored = socket.mirrored_opposite_center_lps_mm
    shape = socket.morphology["app"]
    uncertainty = {
        "center_mm": socket.center_uncertainty_mm,
        "diameter_mm": socket.fit.diameter_uncertainty_mm,
        "axis_deg": socket.axis_uncertainty_deg,
        "angle_deg": shape.angle_uncertainty_deg,
    }
    return m.NativeFacts(
        center_lps_mm=vector_of(socket.center_lps_mm),
        diameter_mm=socket.diameter_mm,
        opening_axis_lps=vector_of(socket.opening_axis_lps),
        orientation=orientations(socket.opening_axis_lps, pelvis, side),
        opposite_center_mirrored_lps_mm=None if mirrored is None else vector_of(mirrored),
        lateral_center_edge_angle_deg=_known(socket.lateral_center_edge_angle_deg),
        acetabular_index_deg=_known(socket.acetabular_index_deg),
        sharp_angle_deg=_known(socket.sharp_angle_deg),
        extrusion_index=_known(socket.extrusion_index),
        anterior_sector_angle_deg=_known(socket.anterior_sector_angle_deg),
        posterior_sector_angle_deg=_known(socket.posterior_sector_angle_deg),
        crowe_group=socket.crowe_group,
        crowe_subluxation=None if socket.crowe is None else socket.crowe.subluxation,
        head_displacement=_displacement(socket, pelvis),
        ways=[_way(way, socket) for way in socket.ways.ways],
        uncertainty={name: value for name, value in uncertainty.items() if math.isfinite(value)},
    )


def _displacement(socket: Socket, pelvis: Pelvis) -> m.DisplacementFacts | None:
    if socket.displaced is None:
        return None
    lateral, anterior, superior = socket.displaced.way_mm(pelvis.app.axes, socket.side)
    return m.DisplacementFacts(
        lateral_mm=lateral,
        anterior_mm=anterior,
        superior_mm=superior,
        in_false_socket=socket.displaced.false_socket is not None,
    )


def _way(way: SocketWay, socket: Socket) -> m.WayFacts:
    return m.WayFacts(
        name=way.name,
        center_lps_mm=vector_of(way.sphere.center_lps_mm),
        diameter_mm=way.sphere.diameter_mm,
        away_mm=float(np.linalg.norm(way.sphere.center_lps_mm - socket.center_lps_mm)),
        center_uncertainty_mm=way.center_sd_mm,
        diameter_uncertainty_mm=way.diameter_sd_mm,
    )


def _cup(cup: Cup) -> m.CupFacts:
    return m.CupFacts(
        center_lps_mm=vector_of(cup.center_lps_mm),
        opening_axis_lps=vector_of(cup.opening_axis_lps),
        outer_diameter_mm=cup.outer_diameter_mm,
        liner_outer_diameter_mm=cup.liner_outer_diameter_mm,
        liner_thickness_mm=cup.liner_thickness_mm,
        head_diameter_mm=cup.head_diameter_mm,
    )


def _center_shift(cup: Cup, socket: Socket, frame: Frame, side: Side) -> m.CenterShiftFacts:
    native = center_shift(socket.center_lps_mm, cup.center_lps_mm, frame, side)
    mirrored = socket.mirrored_opposite_center_lps_mm
    opposite = None if mirrored is None else center_shift(mirrored, cup.center_lps_mm, frame, side)
    return m.CenterShiftFacts(
        frame=frame.name,
        from_native_mm=_shift(native),
        from_opposite_mm=None if opposite is None else _shift(opposite),
        leg_length_change_mm=native.leg_length_change_mm,
        offset_change_mm=native.acetabular_offset_change_mm,
        uncertainty_mm=socket.center_uncertainty_mm,
    )


def _step(result: StepResult) -> m.ReamingStepFacts:
    step = result.step
    return m.ReamingStepFacts(
        diameter_mm=step.diameter_mm,
        start_center_lps_mm=vector_of(step.start_center_lps_mm),
        end_center_lps_mm=vector_of(step.end_center_lps_mm),
        direction_lps=vector_of(step.direction_lps),
        removed_ml=result.removed_ml,
        wall_along_axis_mm=result.wall.along_axis_mm,
        wall_minimum_mm=result.wall.minimum_mm,
        breached=result.wall.breached,
        engages=str(result.engages),
        path_mm=_shift(result.path),
        from_native_mm=_shift(result.from_native),
        crescent_mm=result.crescent_mm,
        crescent_at_end_mm=result.crescent_at_end_mm,
    )


def _advice(planned: PlannedCup) -> m.ReamingAdvice:
    first = planned.first
    return m.ReamingAdvice(
        raises=first.raises,
        text=first.advice,
        straight_rise_mm=first.straight_rise_mm,
        excess_rise_mm=first.excess_rise_mm,
        first_direction_inclination_deg=first.inclination_deg,
        frame=MEASURING_FRAME,
    )


def _press_fit(planned: PlannedCup) -> m.PressFitFacts:
    fit = press_fit(planned.cup.outer_diameter_mm, planned.steps[-1].step.diameter_mm)
    return m.PressFitFacts(interference_mm=fit.interference_mm, proud_mm=fit.proud_mm)


def _frame(frame: Frame) -> m.FrameFacts:
    return m.FrameFacts(
        origin_lps_mm=vector_of(frame.origin_lps_mm),
        left=vector_of(frame.left),
        posterior=vector_of(frame.posterior),
        superior=vector_of(frame.superior),
    )


def _angles(found: Orientation) -> m.Angles:
    return m.Angles(inclination_deg=found.inclination_deg, anteversion_deg=found.anteversion_deg)


def _shift(shift: CenterShift) -> m.Shift:
    return m.Shift(medial=shift.medial, superior=shift.superior, anterior=shift.anterior)


def vector_of(values: Iterable[float]) -> tuple[float, float, float]:
    """Return three numbers as they stand in files."""
    x, y, z = (float(value) for value in np.asarray(values, dtype=float))
    return x, y, z


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
