"""The cue sheet as it stands in measurements.json."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from cotyle.case import measurements as m
from cotyle.case.cue_sheet import CueSheet, MistakeShown, StageShown, WallShown
from cotyle.case.results import vector_of
from cotyle.case.simulated import flat
from cotyle.xray.misplaced import READABLE
from cotyle.xray.reaming_cues import ScreenReading

_FEMUR_LEFT_IN = (
    "The femur isn't known as a bone of its own: it stands in the simulated pictures of reaming, where in theatre it "
    "is out of the way."
)
_PLACE_DOUBTFUL = (
    "Hardly any bone lies between the cavity and the place to which the least wall was measured: the bone's surface "
    "may be wrong there, and the least wall with it. Look at the slices."
)


def with_cue_sheet(measured: m.Measurements, sheet: CueSheet) -> m.Measurements:
    """Return the measurements with what the screen will show, and what its pictures lack among the warnings."""
    warnings = measured.warnings
    if not sheet.femur_taken_out:
        warnings = (*warnings, m.Doubt(code="screen-femur-left-in", text=_FEMUR_LEFT_IN))
    if sheet.wall is not None and sheet.wall.found.doubtful:
        warnings = (*warnings, m.Doubt(code="wall-place-doubtful", text=_PLACE_DOUBTFUL))
    return measured.model_copy(
        update={
            "reaming_cues": {
                name: tuple(_stage(each) for each in (*view.stages, view.cup)) for name, view in sheet.views.items()
            },
            "cup_mistakes": {
                name: tuple(_mistake(each) for each in view.mistakes) for name, view in sheet.views.items()
            },
            "cue_uncertainty": {name: dict(view.spread) for name, view in sheet.views.items()},
            "reading_errors": {name: each.error for name, each in READABLE.items()},
            "warnings": warnings,
            "wall_view": None if sheet.wall is None else _wall(sheet.wall),
        }
    )


def reading_values(reading: ScreenReading) -> dict[str, Any]:
    """Return all cues of a picture as plain values by name."""
    content = flat(dataclasses.asdict(reading.cues))
    content.pop("missing", None)
    for name in ("medial_edge_to_ilioischial_mm", "lower_rim_above_teardrops_mm", "gap_behind_mm"):
        content[name] = getattr(reading, name)
    return content


def _stage(shown: StageShown) -> m.ScreenStageFacts:
    return m.ScreenStageFacts(
        step=shown.step,
        diameter_mm=shown.diameter_mm,
        stage=str(shown.stage),
        center_lps_mm=vector_of(shown.rim.center_lps_mm),
        cues=reading_values(shown.reading),
    )


def _mistake(shown: MistakeShown) -> m.MistakeFacts:
    found = shown.found
    changes: Mapping[str, float] = {each.cue: each.change for each in found.telltales}
    return m.MistakeFacts(
        mistake=str(found.mistake),
        told=found.told,
        best_cue=found.best.cue,
        best_telling=found.best.telling,
        changes=dict(changes),
        other_view=found.other_view,
        other_view_telling=found.other_view_telling,
    )


def _wall(shown: WallShown) -> m.WallViewFacts:
    found = shown.found
    return m.WallViewFacts(
        frame=found.view.frame_name,
        tube=str(found.view.carm.tube.value),
        primary_deg=found.view.primary_deg,
        secondary_deg=found.view.secondary_deg,
        within_reach=found.tangent,
        off_grazing_deg=found.tilt_deg,
        wall_minimum_mm=found.wall_mm,
        bone_mm=found.bone_mm,
        reading_mm=found.reading_mm,
        reading_over_wall=found.factor,
        ap_reading_mm=found.ap_reading_mm,
        detector_mm_per_mm=found.magnification,
        primary_tolerance_deg=found.primary_tolerance_deg,
        secondary_tolerance_deg=found.secondary_tolerance_deg,
        edge_mm=found.edge_mm,
        hidden=found.hidden,
        doubtful=found.doubtful,
        overlap_mm=dict(found.overlap_mm),
    )
