"""The report as one self-contained HTML page."""

from __future__ import annotations

import base64
import importlib.metadata
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from cotyle import CAUTION
from cotyle.anatomy.landmarks import Landmarks
from cotyle.case.measurements import Angles, Measurements, Shift
from cotyle.case.plan_file import PlanFile
from cotyle.case.review import Review
from cotyle.case.verdict import GRADE_WORDS, PointToCheck, Verdict, landmark_words
from cotyle.cup.orientation import Definition
from cotyle.cup.proposal import Limit
from cotyle.report.screen_page import cue_rows, screen_content
from cotyle.report.tiles import minus, tiles
from cotyle.space.side import Side

_LIBRARIES = ("numpy", "scipy", "numba", "SimpleITK", "vtk", "pydicom")


def render_page(plan: PlanFile, measured: Measurements, figures: Mapping[str, bytes], view_caption: str) -> str:
    """Return the page; ``figures`` are PNG by name, any of which may be absent.

    Nothing from the case is taken as markup (autoescape), and the page asks for nothing outside itself.
    """
    return rendered(
        "report.html.j2",
        figures,
        m=measured,
        doubts=_doubts(measured.verdict, plan.side),
        tiles=tiles(plan, measured),
        voxels=_voxels(measured),
        field_caption=_field_caption(plan),
        definitions=[str(each) for each in Definition],
        orientation_rows=_orientation_rows(plan, measured),
        posture_rows=_posture_rows(plan, measured),
        reamer_words=" and ".join(f"{step.diameter_mm:g} mm" for step in measured.reaming),
        view_caption=view_caption,
        cue_rows=cue_rows(measured.cues),
        screen=screen_content(measured),
        shift_rows=_shift_rows(measured),
        native_rows=_native_rows(measured),
        landmark_rows=[(landmark_words(name), mark) for name, mark in measured.landmarks.items()],
        provenance_rows=_provenance_rows(plan, measured),
    )


def render_review(review: Review, landmarks: Landmarks, figures: Mapping[str, bytes]) -> str:
    """Return the page of a hip that could not be planned: why, where to look, and what to correct."""
    return rendered(
        "review.html.j2",
        figures,
        review=review,
        doubts=_doubts(review.verdict, review.plan.side, "to be planned"),
        landmark_rows=[(landmark_words(name), mark) for name, mark in landmarks.items()],
    )


def rendered(template: str, figures: Mapping[str, bytes], **content: Any) -> str:
    """Return a template filled in; figures are PNG by name."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, loader=FunctionLoader(_template), trim_blocks=True
    )
    environment.filters |= {"deg": _deg, "mm": _mm, "percent": _percent, "signed": _signed}
    return environment.get_template(template).render(
        caution=CAUTION,
        style=Markup(_template("style.css")),
        figures={name: _data_uri(png) for name, png in figures.items()},
        **content,
    )


@dataclass(frozen=True)
class DoubtsOfHip:
    """One hip in the verdict's box: name, grade (its shape and colour) and words, points to check, its figure."""

    name: str
    grade: str
    words: str
    points: tuple[PointToCheck, ...]
    figure: str


def _doubts(verdict: Verdict, side: Side, planned: str = "planned") -> dict[str, Any]:
    hips = [
        DoubtsOfHip(
            f"{each} hip" + (f", {planned}" if each is side else ""),
            str(hip.grade),
            GRADE_WORDS[hip.grade],
            hip.points,
            f"doubt-{each}",
        )
        for each, hip in sorted(verdict.hips.items(), key=lambda pair: pair[0] is not side)
    ]
    grade = verdict.grade
    return {
        "grade": str(grade),
        "words": GRADE_WORDS[grade],
        "text": verdict.text,
        "hips": hips,
    }


def _template(name: str) -> str:
    return resources.files("cotyle.report").joinpath("templates", name).read_text(encoding="utf-8")


def _data_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def _deg(value: float) -> str:
    return minus(f"{value:.1f}°")


def _mm(value: float) -> str:
    return minus(f"{value:.1f} mm")


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %"


def _signed(value: float) -> str:
    text = f"{value:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else minus(text)


def _voxels(measured: Measurements) -> str:
    size = " × ".join(str(n) for n in measured.ct.size)
    spacing = " × ".join(f"{s:.2f}" for s in measured.ct.voxel_mm)
    return f"{size} voxels of {spacing} mm"


def _field_caption(plan: PlanFile) -> str:
    return (
        f"{plan.targets.definition.capitalize()} angles. The plan is one axis in space; its angles differ by frame, as "
        "the pelvis tilts. Soft spots: two standard deviations."
    )


def _orientation_rows(plan: PlanFile, measured: Measurements) -> list[tuple[str, list[tuple[Angles | None, bool]]]]:
    """Return, for each frame, the angles in each definition and whether the plan was stated so."""
    chosen = plan.cup.orientation
    stated = (chosen.frame, chosen.definition) if chosen else None
    return [
        (frame, [(measured.orientation[frame].get(each), stated == (frame, each)) for each in Definition])
        for frame in ("app", "supine", "standing")
    ]


def _posture_rows(plan: PlanFile, measured: Measurements) -> list[tuple[str, float, float | None]]:
    pelvis = measured.pelvis
    spread = pelvis.uncertainty_deg
    how, seated = "measured" if plan.posture.measured else "assumed", plan.posture.seated_tilt_change_deg
    rows: list[tuple[str, float, float | None]] = [
        ("anterior tilt", pelvis.anterior_tilt_deg, spread.get("anterior_tilt")),
        ("rotation to the left", pelvis.rotation_to_left_deg, spread.get("rotation_to_left")),
        ("left side up", pelvis.left_up_deg, spread.get("left_up")),
        (f"change of tilt on standing ({how})", pelvis.standing_tilt_change_deg, None),
    ]
    return rows if seated is None else [*rows, ("change of tilt when seated (given)", seated, None)]


def _shift_rows(measured: Measurements) -> list[tuple[str, Shift]]:
    rows = [("from the native centre", measured.center_shift.from_native_mm)]
    if measured.center_shift.from_opposite_mm is not None:
        rows.append(("from the opposite centre, mirrored", measured.center_shift.from_opposite_mm))
    return rows


def _native_rows(measured: Measurements) -> list[tuple[str, str]]:
    native = measured.native
    angles = native.orientation.get("app", {})
    rows = [("bony diameter", f"{native.diameter_mm:.1f} mm")]
    found = angles.get(Definition.RADIOGRAPHIC)
    if found is not None:
        words = "inclination, anteversion (radiographic)"
        rows.append((words, f"{found.inclination_deg:.1f}°, {minus(f'{found.anteversion_deg:.1f}')}°"))
    for words, value, unit in (
        ("lateral centre-edge angle", native.lateral_center_edge_angle_deg, "°"),
        ("acetabular index", native.acetabular_index_deg, "°"),
        ("Sharp angle", native.sharp_angle_deg, "°"),
        ("anterior sector angle", native.anterior_sector_angle_deg, "°"),
        ("posterior sector angle", native.posterior_sector_angle_deg, "°"),
    ):
        rows.append((words, "not known" if value is None else minus(f"{value:.1f}{unit}")))
    index = native.extrusion_index
    rows.append(("extrusion index", "not known" if index is None else f"{100 * index:.0f} %"))
    ratio = "" if native.crowe_subluxation is None else minus(f" ({native.crowe_subluxation:.2f})")
    rows.append(("Crowe group", f"{native.crowe_group or 'not known'}{ratio}"))
    head = native.head_displacement
    if head is not None:
        place = "in a false socket" if head.in_false_socket else "partly out of its socket"
        way = minus(f"{head.superior_mm:.0f} mm up, {head.lateral_mm:.0f} mm lateral")
        rows.append(("femoral head", f"{place}, {way}"))
    return rows


_STOPPED_BY: dict[Limit | None, str] = {
    Limit.GIVEN: "the medial shift that was asked for",
    Limit.WALL_ALONG_AXIS: "the wall wanted along the axis",
    Limit.LEAST_WALL: "the least wall wanted",
    Limit.FOSSA_FLOOR: "the floor of the fossa, reached before the wall that was wanted",
    Limit.NO_ROOM: "no room for the wall that was wanted: the native centre was kept",
    None: "its place was given",
}


def _provenance_rows(plan: PlanFile, measured: Measurements) -> list[tuple[str, str]]:
    words = {"center_lps_mm": "centre", "outer_diameter_mm": "size", "orientation": "orientation"}
    proposed = ", ".join(words[name] for name in plan.cup.proposed)
    libraries = ", ".join(f"{name} {_version(name)}" for name in _LIBRARIES)
    center = ", ".join(f"{x:.2f}" for x in measured.cup.center_lps_mm)
    axis = ", ".join(f"{x:.4f}" for x in measured.cup.opening_axis_lps)
    targets = plan.targets
    given = [name for name, mark in measured.landmarks.items() if mark.origin == "given"]
    redrawn = dict.fromkeys(bone for each in measured.given_labels for bone in each.bones)
    return [
        ("scan", f"{measured.ct.series or 'no series identity'}; {_voxels(measured)}"),
        ("repairs to the scan", "; ".join(measured.ct.repairs) or "none"),
        ("cup centre, LPS mm", center),
        ("opening axis, LPS", axis),
        ("proposed by the program", proposed or "nothing; all was given"),
        ("landmarks given by hand", ", ".join(landmark_words(name) for name in given) or "none"),
        ("bones given by labels", ", ".join(name.replace("_", " ") for name in redrawn) or "none"),
        ("what stopped the cup medially", _STOPPED_BY[plan.cup.limited_by]),
        (
            "targets",
            f"{targets.inclination_deg:g} ± {targets.inclination_tolerance_deg:g} and {targets.anteversion_deg:g} ± "
            f"{targets.anteversion_tolerance_deg:g} deg, {targets.definition}, {targets.frame} frame; "
            f"{targets.wall_along_axis_mm:g} mm left along the axis, {targets.least_wall_mm:g} mm anywhere",
        ),
        ("software", f"{measured.software}; Python {platform.python_version()}; {libraries}"),
    ]


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "?"
