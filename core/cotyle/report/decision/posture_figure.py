"""Pictures of posture: angles of the cup against the tilt of the pelvis, and the pelvis from the side."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cotyle.case.decision.posture import PostureFacts
from cotyle.case.decision.postures import MOST_BACK_DEG, MOST_FORWARD_DEG, SEATED, STANDING, SUPINE, Known
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.orientation import Definition, convert, orientation_of_axis, tilted
from cotyle.cup.posture import frame_at_tilt
from cotyle.report import ink
from cotyle.report.decision.posture_page import tilt_words
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.xray.outlines import circle_points

MARKS = {SUPINE: ("o", ink.CUP_ON_PAPER), STANDING: ("^", ink.BONE_ON_PAPER), SEATED: ("s", ink.REAMER)}
_WORDS = {SUPINE: "on the table", STANDING: "standing", SEATED: "seated"}
_MARGIN_DEG = 8.0
_DOTS = 4000


def posture_pictures(facts: PostureFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name."""
    del hip
    return {"tilt": ink.png(tilt_figure(facts, planned)), "side": ink.png(side_figure(facts, planned))}


def tilt_figure(facts: PostureFacts, planned: PlannedCup) -> Figure:
    """Draw anteversion and inclination against the tilt of the pelvis, with the zone and the postures."""
    made = ink.figure(600, 350)
    upper = made.add_axes((0.115, 0.45, 0.87, 0.43))
    lower = made.add_axes((0.115, 0.14, 0.87, 0.25), sharex=upper)
    tilts = _range_of_tilts(facts)
    angles = _angles_at(facts, planned, tilts)
    bounds = (facts.zone.anteversion_deg, facts.zone.inclination_deg)
    names = ("anteversion", "inclination")
    for axes, column, (low, high), name in zip((upper, lower), (1, 0), bounds, names, strict=True):
        axes.axhspan(low, high, facecolor="#e8eef4", edgecolor="none", zorder=0)
        axes.plot(tilts, angles[:, column], color=ink.INK, linewidth=1.6, zorder=3)
        axes.set_ylabel(f"{name} (deg)")
        axes.grid(color=ink.RULE, linewidth=0.5)
        ink.plain_axes(axes)
        _postures(axes, facts, planned, column)
        _window(axes, facts)
    upper.tick_params(labelbottom=False)
    lower.set_xlabel("anterior tilt of the pelvis (deg): back to the left, forward to the right")
    lower.set_xlim(tilts[0], tilts[-1])
    _published(upper, facts)
    handles, labels = upper.get_legend_handles_labels()
    made.legend(
        handles, labels, loc="upper left", bbox_to_anchor=(0.1, 1.01), ncols=3, fontsize=ink.SMALL_PT, frameon=False
    )
    return made


def _range_of_tilts(facts: PostureFacts) -> Array:
    supine = facts.postures[SUPINE].anterior_tilt_deg
    ends = [supine + MOST_BACK_DEG, supine + MOST_FORWARD_DEG]
    for each in facts.postures.values():
        spread = 2 * (each.sd_deg or 0.0)
        ends += [each.anterior_tilt_deg - spread, each.anterior_tilt_deg + spread]
    return np.linspace(max(min(ends) - _MARGIN_DEG, -85.0), min(max(ends) + _MARGIN_DEG, 85.0), 181)


def _angles_at(facts: PostureFacts, planned: PlannedCup, tilts: Array) -> Array:
    """Return inclination and anteversion in the zone's definition at tilts, shape (n, 2); NaN where left open."""
    pelvis, supine = planned.pelvis, facts.postures[SUPINE].anterior_tilt_deg
    frame = frame_at_tilt(pelvis, SUPINE, supine)
    here = orientation_of_axis(planned.cup.opening_axis_lps, frame, facts.side, Definition.OPERATIVE)
    turned = [tilted(here, Definition.OPERATIVE, float(tilt) - supine) for tilt in tilts]
    pairs = [convert(each, Definition.OPERATIVE, facts.zone.definition) for each in turned]
    return np.array([[each.inclination_deg, each.anteversion_deg] for each in pairs])


def _postures(axes: Any, facts: PostureFacts, planned: PlannedCup, column: int) -> None:
    for name, (shape, color) in MARKS.items():
        each = facts.postures[name]
        value = _angles_at(facts, planned, np.array([each.anterior_tilt_deg]))[0, column]
        assumed = each.how is Known.ASSUMED
        if each.sd_deg:
            axes.errorbar(
                each.anterior_tilt_deg, value, xerr=2 * each.sd_deg, color=color, capsize=3, linewidth=1.2, zorder=4
            )
        axes.plot(
            each.anterior_tilt_deg,
            value,
            shape,
            markersize=10,
            color="white" if assumed else color,
            markeredgecolor=color if assumed else "white",
            markeredgewidth=1.8 if assumed else 0.8,
            zorder=5,
            label=_WORDS[name] + (", assumed" if assumed else ""),
        )


def _window(axes: Any, facts: PostureFacts) -> None:
    if facts.tilt_window_deg is None:
        return
    supine = facts.postures[SUPINE].anterior_tilt_deg
    for change in facts.tilt_window_deg:
        axes.axvline(supine + change, color=ink.WALL_ON_PAPER, linewidth=1.1, linestyle=(0, (4, 3)), zorder=2)


def _published(axes: Any, facts: PostureFacts) -> None:
    """Draw at the foot of the axes how far pelves were seen to move from lying to standing."""
    supine = facts.postures[SUPINE].anterior_tilt_deg
    low, high = axes.get_ylim()
    foot = low + 0.045 * (high - low)
    ends = [supine + MOST_BACK_DEG, supine + MOST_FORWARD_DEG]
    axes.plot(ends, [foot, foot], color=ink.SOFT_INK, linewidth=3, solid_capstyle="butt", zorder=2)
    axes.text(
        ends[0], foot + 0.03 * (high - low), "standing pelves, as published", fontsize=ink.SMALL_PT, color=ink.SOFT_INK
    )
    axes.set_ylim(low, high)


def side_figure(facts: PostureFacts, planned: PlannedCup) -> Figure:
    """Draw the hip bone and the cup from the side, lying, standing and seated; on the table with both beams."""
    made = ink.figure(960, 310)
    for place, name in enumerate((SUPINE, STANDING, SEATED)):
        axes = made.add_axes((0.01 + place * 0.33, 0.02, 0.32, 0.86))
        fact = facts.postures[name]
        frame = frame_at_tilt(planned.pelvis, name, fact.anterior_tilt_deg)
        _pelvis_from_the_side(axes, planned, frame, lying=name == SUPINE)
        ante = fact.ante_inclination_deg
        angle = "" if ante is None else f"\nante-inclination {ante:.0f} deg"
        axes.set_title(
            f"{_WORDS[name]}: pelvis {tilt_words(fact.anterior_tilt_deg)}, {fact.how}{angle}",
            fontsize=ink.SMALL_PT,
            color=ink.INK,
        )
        if name == SUPINE:
            _beams(axes, facts)
        axes.set_xlim(*((-165, 105) if name == SUPINE else (-135, 135)))
        axes.set_ylim(-110, 150)
        axes.set_aspect("equal")
        axes.axis("off")
    return made


def _pelvis_from_the_side(axes: Any, planned: PlannedCup, frame: Frame, lying: bool) -> None:
    """Draw points (forward, up) of the frame about the cup's centre; lying on the back, up is forward."""
    center, bone = planned.cup.center_lps_mm, planned.hip_bone.vertices_lps_mm
    view = np.stack([frame.anterior, frame.superior])
    if lying:  # the head to the left of the picture, the front upwards
        view = np.stack([-frame.superior, frame.anterior])
    dots = (bone[:: max(len(bone) // _DOTS, 1)] - center) @ view.T
    axes.plot(dots[:, 0], dots[:, 1], ".", color="#c4b79a", markersize=1.6, zorder=1)
    marks = planned.landmarks
    middle = {name: 0.5 * (marks[f"{name}_left"].lps_mm + marks[f"{name}_right"].lps_mm) for name in _PLANE}
    plane = np.array([middle[name] - center for name in _PLANE]) @ view.T
    axes.plot(plane[:, 0], plane[:, 1], color=ink.SOFT_INK, linewidth=1.4, zorder=3)
    for point, words in zip(plane, ("ASIS", "tubercle"), strict=True):
        axes.text(point[0], point[1], f" {words}", fontsize=ink.SMALL_PT, color=ink.SOFT_INK, zorder=4)
    rim = circle_points(planned.cup.rim, 73) - center
    axes.plot(*(rim @ view.T).T, color=ink.CUP_ON_PAPER, linewidth=1.8, zorder=5)
    mouth = np.array([np.zeros(3), 1.5 * planned.cup.radius_mm * planned.cup.opening_axis_lps]) @ view.T
    axes.annotate("", mouth[1], mouth[0], arrowprops={"arrowstyle": "->", "color": ink.CUP_ON_PAPER, "linewidth": 1.8})


_PLANE = ("asis", "pubic_tubercle")


def _beams(axes: Any, facts: PostureFacts) -> None:
    """Draw the levelled beam and the one that shows the standing pelvis, from below the table upwards."""
    for tilt_deg, color, style, words in (
        (0.0, ink.SOFT_INK, (0, (4, 3)), "level"),
        (facts.beam.cranial_deg, ink.BONE_ON_PAPER, "-", "standing"),
    ):
        if words == "standing" and facts.beam.towards == "neither":
            continue
        # the end in front of the patient goes to the head, which is on the left
        along = np.array([-np.sin(np.deg2rad(tilt_deg)), np.cos(np.deg2rad(tilt_deg))])
        axes.annotate(
            "",
            112.0 * along,
            -108.0 * along,
            arrowprops={"arrowstyle": "->", "color": color, "linewidth": 1.6, "linestyle": style},
        )
        align = "center" if words == "level" else "left" if along[0] > 0 else "right"
        axes.text(*(115.0 * along), words, fontsize=ink.SMALL_PT, color=color, ha=align, va="bottom")
