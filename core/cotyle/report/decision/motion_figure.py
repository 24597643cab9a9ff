"""Pictures of motion: limits of each motion, reach of the thigh round about, and the field of cups that would do."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from cotyle.case.decision.motion import map_angles_deg
from cotyle.case.decision.motion_facts import MotionFact, MotionFacts, PostureMotion
from cotyle.case.plan_file import Targets
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.motion.bone_range import FARTHEST_DEG, Ending
from cotyle.cup.motion.hip_pose import HipPose
from cotyle.cup.motion.implant import Stem
from cotyle.cup.motion.motions import Motion
from cotyle.cup.motion.neck_range import MotionMap, Neck, motion_map
from cotyle.cup.orientation import Definition
from cotyle.report import ink

_NECK, _BONE, _WANTED = ink.CUP_ON_PAPER, ink.REAMER, ink.WALL_ON_PAPER
_MAP_STEP_DEG = 0.5
_ROW_PX, _LONE_ROW_PX = 29.0, 24.0
"""Of a motion with two bars, and with one."""
_LEVELS_DEG = (-60, -30, -20, -10, 0, 5, 10, 15, 20, 30)


def motion_pictures(facts: MotionFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name; no map without a stem."""
    del hip
    made = {}
    if facts.neck is not None or facts.femur is not None:
        made["limits"] = ink.png(limits_figure(facts.postures[facts.posture]))
        made["reach"] = ink.png(reach_figure(facts))
    if facts.neck is not None:
        made["map"] = ink.png(map_figure(facts, planned.plan.targets))
    return made


def limits_figure(posture: PostureMotion) -> Figure:
    """Draw bars for each motion: until the neck meets the rim, and until bone meets bone, as far as they are known."""
    motions = posture.motions
    both = any(each.neck for each in motions) and any(each.bone for each in motions)
    height = 80.0 + (_ROW_PX if both else _LONE_ROW_PX) * len(motions)
    made = ink.figure(600, height)
    axes = made.add_axes((0.4, 44.0 / height, 0.58, 1.0 - 80.0 / height))
    for row, motion in enumerate(motions):
        _pair(axes, row, motion)
    axes.set_ylim(len(motions) - 0.5, -0.5)
    axes.set_xlim(0, FARTHEST_DEG)
    axes.set_yticks(range(len(motions)), [_in_two(motion.words) for motion in motions])
    axes.set_xlabel("deg from where the motion begins")
    axes.grid(axis="x", color=ink.RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    ink.plain_axes(axes)
    axes.tick_params(axis="y", labelsize=ink.SMALL_PT)
    handles: list[Artist] = [Line2D([], [], color=_WANTED, linewidth=2.4, label="wanted")]
    if any(each.bone for each in motions):
        handles.insert(0, Patch(facecolor="white", edgecolor=_BONE, hatch="////", label="until bone meets bone"))
    if any(each.neck for each in motions):
        handles.insert(0, Patch(color=_NECK, label="until the neck meets the rim"))
    made.legend(
        handles=handles, loc="upper right", bbox_to_anchor=(1.0, 1.0), ncols=3, fontsize=ink.SMALL_PT, frameon=False
    )
    return made


def _in_two(words: str) -> str:
    """Break a long name where its second half begins."""
    if len(words) <= _LONG_NAME:
        return words
    between = " in a " if " in a " in words else " at "
    return words.replace(between, f"\n{between.strip()} ", 1)


_LONG_NAME = 32


def _pair(axes: Any, row: int, motion: MotionFact) -> None:
    neck, bone = motion.neck, motion.bone
    aside = 0.19 if neck is not None and bone is not None else 0.0
    if neck is not None:
        _bar(axes, row - aside, neck.limit_deg, neck.ending == "never meets the rim", {"color": _NECK})
    if bone is not None:
        hatched = {"facecolor": "white", "edgecolor": _BONE, "hatch": "////"}
        _bar(axes, row + aside, bone.limit_deg, bone.ending is Ending.FREE, hatched)
    if motion.wanted_deg is not None:
        axes.plot([motion.wanted_deg] * 2, [row - 0.42, row + 0.42], color=_WANTED, linewidth=2.4, zorder=4)


def _bar(axes: Any, y: float, limit_deg: float | None, endless: bool, style: dict[str, str]) -> None:
    length = FARTHEST_DEG if endless else 0.0 if limit_deg is None else min(limit_deg, FARTHEST_DEG)
    axes.barh(y, length, 0.32, zorder=2, **style)
    inside = length > 0.97 * FARTHEST_DEG
    axes.text(
        length - 1.0 if inside else length + 1.0,
        y,
        "not met" if endless else "can't begin" if limit_deg is None else f"{limit_deg:.0f}",
        va="center",
        ha="right" if inside else "left",
        fontsize=ink.SMALL_PT,
        color=ink.INK,
        zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8},
    )


def reach_figure(facts: MotionFacts) -> Figure:
    """Draw how far the thigh leans in each direction, seen along it from below: forward is up, outward to the right."""
    made = ink.figure(365, 370)
    axes: Any = made.add_axes((0.18, 0.06, 0.64, 0.76), projection="polar")
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    directions = np.radians([*facts.reach.direction_deg, 360.0 + facts.reach.direction_deg[0]])
    for limits, color, style, words in (
        (facts.reach.neck_deg, _NECK, "-", "neck meets the rim"),
        (facts.reach.bone_deg, _BONE, "--", "bone meets bone"),
    ):
        if limits:
            ring = [FARTHEST_DEG if each is None else min(each, FARTHEST_DEG) for each in (*limits, limits[0])]
            axes.plot(directions, ring, style, color=color, linewidth=1.8, marker="o", markersize=3, label=words)
    names = ("flexion", "", "abduction", "", "extension", "", "adduction", "")
    axes.set_xticks(np.arange(8) * np.pi / 4, names)
    axes.set_rlim(0, FARTHEST_DEG)
    axes.set_rticks([30, 60, 90, 120, 150])
    axes.set_rlabel_position(22.5)
    axes.tick_params(labelsize=ink.SMALL_PT, colors=ink.INK)
    axes.tick_params(axis="x", pad=4)
    axes.grid(color=ink.RULE, linewidth=0.6)
    axes.spines["polar"].set_color(ink.SOFT_INK)
    if axes.lines:
        made.legend(loc="upper left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize=ink.SMALL_PT, frameon=False)
    return made


def map_figure(facts: MotionFacts, targets: Targets) -> Figure:
    """Draw what is to spare for the tightest wanted motion over inclination and anteversion, and the plan in it."""
    made = ink.figure(470, 440)
    axes = made.add_axes((0.115, 0.11, 0.69, 0.69))
    shown = _fine_map(facts)
    across, up = shown.inclination_deg, shown.anteversion_deg
    margin = np.clip(shown.margin_deg, _LEVELS_DEG[0], _LEVELS_DEG[-1])
    # one way from dark to light, so that a grey print tells short from free as well
    filled = axes.contourf(across, up, margin, levels=_LEVELS_DEG, cmap="cividis", vmin=-45, vmax=30)
    axes.contour(across, up, margin, levels=[0.0], colors=[ink.INK], linewidths=2.2)
    bar = made.colorbar(filled, cax=made.add_axes((0.83, 0.11, 0.028, 0.69)))
    bar.set_label("to spare in the tightest motion (deg)", fontsize=ink.SMALL_PT)
    bar.ax.tick_params(labelsize=ink.SMALL_PT)
    handles: list[Artist] = [Line2D([], [], color=ink.INK, linewidth=1.8, label="every wanted motion just free")]
    bony = _bone_spare(facts)
    if bony is not None and shown.margin_deg.min() < bony < shown.margin_deg.max():
        axes.contour(across, up, shown.margin_deg, levels=[bony], colors=[ink.INK], linewidths=1.2, linestyles="dashed")
        handles.append(Line2D([], [], color=ink.INK, linewidth=1.2, linestyle="--", label="within: bone is tighter"))
    zone = _zone(targets, facts.posture)
    if zone is not None:
        handles.append(axes.add_patch(zone))
    for name, (marker, size) in (("supine", ("o", 9)), ("standing", ("^", 10))):
        if name in facts.postures:
            at = facts.postures[name]
            mark = axes.plot(
                at.inclination_deg,
                at.anteversion_deg,
                marker,
                color=ink.REAMER,
                markeredgecolor=ink.INK,
                markersize=size,
                linestyle="none",
                zorder=5,
                label=f"plan, {name}",
            )
            handles += mark
    _tightest(axes, shown)
    axes.set_xlabel("inclination, radiographic (deg)")
    axes.set_ylabel("anteversion, radiographic (deg)")
    ink.plain_axes(axes)
    made.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.04, 1.0), ncols=2, fontsize=ink.SMALL_PT, frameon=False
    )
    return made


def _fine_map(facts: MotionFacts) -> MotionMap:
    assert facts.neck is not None
    stem = facts.neck.stem
    neck = Neck(Stem(stem.version_deg, stem.neck_shaft_deg, stem.neck_diameter_mm), facts.neck.free_lean_deg)
    motions = [_motion(each) for each in facts.postures[facts.posture].motions]
    return motion_map(neck, motions, *map_angles_deg(_MAP_STEP_DEG))


def _motion(fact: MotionFact) -> Motion:
    start = HipPose(fact.start.flexion_deg, fact.start.abduction_deg, fact.start.internal_rotation_deg)
    return Motion(fact.name, start, fact.move, fact.wanted_deg)


def _bone_spare(facts: MotionFacts) -> float | None:
    """What bone leaves to spare in the tightest wanted motion, whatever the cup's orientation."""
    spare = [
        fact.bone.limit_deg - fact.wanted_deg
        for fact in facts.postures[facts.posture].motions
        if fact.wanted_deg is not None and fact.bone is not None and fact.bone.limit_deg is not None
    ]
    return min(spare) if spare else None


def _zone(targets: Targets, posture: str) -> Rectangle | None:
    """The target zone, where it is stated in the map's own definition and frame."""
    if targets.definition is not Definition.RADIOGRAPHIC or targets.frame != posture:
        return None
    across, up = targets.inclination_tolerance_deg, targets.anteversion_tolerance_deg
    corner = (targets.inclination_deg - across, targets.anteversion_deg - up)
    zone = Rectangle(corner, 2 * across, 2 * up, label=f"target zone, {posture}", zorder=3)
    zone.set(facecolor="none", edgecolor=ink.SOFT_INK, linewidth=1.4, linestyle=":")
    return zone


def _tightest(axes: Any, shown: MotionMap) -> None:
    """Write into each part of the field which motion is the tightest there."""
    for number in np.unique(shown.tightest):
        rows, columns = np.nonzero(shown.tightest == number)
        if len(rows) < 0.03 * shown.tightest.size:
            continue
        here = (shown.tightest == number).astype(float)
        axes.contour(
            shown.inclination_deg, shown.anteversion_deg, here, levels=[0.5], colors=[ink.SOFT_INK], linewidths=0.6
        )
        at = np.argmin(np.hypot(rows - rows.mean(), columns - columns.mean()))
        axes.text(
            shown.inclination_deg[columns[at]],
            shown.anteversion_deg[rows[at]],
            shown.motions[number].words.replace(" at ", "\nat "),
            ha="center",
            va="center",
            fontsize=ink.SMALL_PT,
            color=ink.INK,
            zorder=4,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.7},
        )
