"""Pictures of tolerance: where cups end, how much wall is left, and why."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from cotyle.case.decision.tolerance import ToleranceFacts
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.orientation import Definition
from cotyle.cup.tolerance.causes import CAUSES, Cause
from cotyle.report import ink
from cotyle.report.decision.tolerance_page import CAUSE_WORDS, OUTCOME_WORDS

_LOOKS = {
    Cause.LANDMARKS: ("#999999", ""),
    Cause.EDGES: (ink.NATIVE, "...."),
    Cause.PICTURE: (ink.CUP_ON_PAPER, ""),
    Cause.POSTURE: (ink.FOUND, "xxxx"),
    Cause.HAND: (ink.REAMER, "////"),
    Cause.DEPTH: (ink.WALL_ON_PAPER, "\\\\\\\\"),
    Cause.SIZE: (ink.BONE_ON_PAPER, "||||"),
}


def tolerance_pictures(facts: ToleranceFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name."""
    del planned, hip
    return {"spread": ink.png(spread_figure(facts)), "causes": ink.png(causes_figure(facts))}


def spread_figure(facts: ToleranceFacts) -> Figure:
    """Draw where cups end and how much wall is left."""
    made = ink.figure(960, 310)
    _ends(made.add_axes((0.07, 0.17, 0.36, 0.74)), facts)
    _walls(made.add_axes((0.53, 0.17, 0.45, 0.74)), facts)
    return made


def _ends(axes: Any, facts: ToleranceFacts) -> None:
    rows = np.array(facts.shown)
    limit = facts.chances.least_wall_limit_mm
    thin = rows[:, 2] < limit
    if facts.zone_definition is Definition.RADIOGRAPHIC and facts.zone_frame == "supine":
        (left, right), (low, high) = facts.zone_inclination_deg, facts.zone_anteversion_deg
        zone = Rectangle((left, low), right - left, high - low, facecolor="#e8eef4", edgecolor=ink.SOFT_INK, zorder=0)
        axes.add_patch(zone)
    axes.plot(rows[~thin, 0], rows[~thin, 1], ".", color=ink.CUP_ON_PAPER, markersize=4, label="wall kept")
    axes.plot(
        rows[thin, 0], rows[thin, 1], "x", color=ink.WALL_ON_PAPER, markersize=5, label=f"least wall below {limit:g} mm"
    )
    angles = [facts.outcomes[name].planned for name in ("inclination_deg", "anteversion_deg")]
    axes.plot(*angles, "+", color=ink.INK, markersize=14, markeredgewidth=2, label="plan")
    axes.set_xlabel("inclination (deg)")
    axes.set_ylabel("anteversion (deg)")
    axes.set_aspect("equal", adjustable="datalim")
    axes.legend(fontsize=ink.SMALL_PT, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    ink.plain_axes(axes)


def _walls(axes: Any, facts: ToleranceFacts) -> None:
    """Draw the middle, the 95 of 100 and the plan of both walls as bars, with the limit of the least one."""
    names = ("least_wall_mm", "wall_along_axis_mm")
    for place, name in enumerate(names):
        fact = facts.outcomes[name]
        low, high = fact.interval
        axes.barh(place, high - low, left=low, height=0.34, color="#d9e4ee", edgecolor=ink.CUP_ON_PAPER)
        axes.plot([fact.planned] * 2, [place - 0.26, place + 0.26], color=ink.INK, linewidth=2)
        axes.text(
            (low + high) / 2,
            place + 0.34,
            f"{low:.1f} to {high:.1f} mm, planned {fact.planned:.1f}",
            ha="center",
            fontsize=ink.FONT_PT,
            color=ink.INK,
            path_effects=ink.halo("#ffffff", 3.0),
            zorder=5,
        )
    limit = facts.chances.least_wall_limit_mm
    axes.plot([limit, limit], [-0.5, 0.5], color=ink.WALL_ON_PAPER, linestyle=(0, (4, 3)), linewidth=1.4)
    axes.set_yticks(range(len(names)), ["least wall", "wall along\nthe axis"])
    axes.set_ylim(-0.7, 1.7)
    axes.set_xlim(left=0.0)
    axes.set_xlabel("wall left in 95 of 100 procedures (mm)")
    ink.plain_axes(axes)


def causes_figure(facts: ToleranceFacts) -> Figure:
    """Draw the shares of variance by cause, one bar for each figure of the cup."""
    made = ink.figure(960, 290)
    axes = made.add_axes((0.2, 0.1, 0.78, 0.8))
    names = [name for name in OUTCOME_WORDS if name in facts.outcomes and any(facts.outcomes[name].shares.values())]
    for place, name in enumerate(names):
        start = 0.0
        fact = facts.outcomes[name]
        for cause in CAUSES:
            share = fact.shares.get(cause, 0.0)
            color, hatch = _LOOKS[cause]
            axes.barh(place, share, left=start, height=0.66, color=color, hatch=hatch, edgecolor="white", linewidth=0.6)
            if share >= 0.08:
                axes.text(
                    start + share / 2,
                    place,
                    f"{100 * share:.0f}",
                    ha="center",
                    va="center",
                    fontsize=ink.SMALL_PT,
                    path_effects=ink.halo("#ffffff", 2.6),
                )
            start += share
    for cause in CAUSES:
        color, hatch = _LOOKS[cause]
        axes.barh(0, 0, color=color, hatch=hatch, edgecolor="white", label=CAUSE_WORDS[cause])
    axes.set_yticks(range(len(names)), [OUTCOME_WORDS[name] for name in names])
    axes.invert_yaxis()
    axes.set_xlim(0.0, 1.0)
    axes.set_xticks(np.linspace(0, 1, 6), [f"{each:.0f} %" for each in np.linspace(0, 100, 6)])
    made.legend(loc="upper center", ncols=len(CAUSES), fontsize=ink.SMALL_PT, frameon=False)
    ink.plain_axes(axes)
    return made
