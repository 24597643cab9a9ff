"""Pictures of the options: price against gain, what each is good at, and where the cups lie."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from cotyle.anatomy.morphology import hip_view
from cotyle.anatomy.sections import near_part, plane_section
from cotyle.case.decision.options import CupOption, OptionsFacts
from cotyle.case.stages import MEASURING_FRAME, Hip, PlannedCup
from cotyle.cup.options.choice import Favours
from cotyle.cup.orientation import Orientation, axis_from_orientation
from cotyle.report import ink
from cotyle.report.decision.options_page import letter, thinner
from cotyle.space.arrays import Array

_SHADES = "viridis"
_CURVES = (
    (Favours.SAME_HEIGHT, "-", "most cover at each depth, height restored"),
    (Favours.HIGH_CENTER, (0, (4, 3)), "most cover at each depth, height free"),
)
_NEAR_MM = 50.0
_LETTER_MM = 5.0


def options_pictures(facts: OptionsFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name."""
    del hip
    if not facts.options:
        return {}
    return {
        "price": ink.png(price_figure(facts)),
        "profile": ink.png(profile_figure(facts)),
        "cups": ink.png(cups_figure(facts, planned)),
    }


def price_figure(facts: OptionsFacts) -> Figure:
    """Draw cover against medial shift, coloured by the least wall."""
    made = ink.figure(600, 350)
    axes = made.add_axes((0.105, 0.14, 0.735, 0.715))
    bar = made.add_axes((0.87, 0.14, 0.02, 0.715))
    points = [each for curve in facts.curves.values() for each in curve]
    walls = [each.figures.wall_least_mm for each in (*facts.options, facts.plan)]
    walls += [each.wall_least_mm for each in points]
    shade = Normalize(min(walls), max(max(walls), min(walls) + 0.1))
    colors = ScalarMappable(shade, _SHADES)
    for height, dashes, words in _CURVES:
        curve = facts.curves.get(height, ())
        if not curve:
            continue
        x, y = [each.medial_mm for each in curve], [100 * each.cover for each in curve]
        axes.plot(x, y, color=ink.SOFT_INK, linewidth=1.2, linestyle=dashes, zorder=2, label=words)
        shades = colors.to_rgba(np.array([each.wall_least_mm for each in curve]))
        axes.scatter(x, y, c=shades, s=26, edgecolors=ink.SOFT_INK, linewidths=0.5, zorder=3)
    least = 100 * facts.limits.least_cover
    axes.axhline(least, color=ink.WALL_ON_PAPER, linewidth=1.0, linestyle=(0, (1, 2)), zorder=1)
    marks = [(letter(n), each) for n, each in enumerate(facts.options)] + [("P", facts.plan)]
    places = np.array([[each.medial_mm, 100 * each.figures.cover] for _, each in marks])
    for (name, each), (x, y) in zip(marks, _apart(places), strict=True):
        color = colors.to_rgba(np.array([each.figures.wall_least_mm]))[0]
        shape = "s" if name == "P" else "o"
        axes.plot([x, each.medial_mm], [y, 100 * each.figures.cover], color=ink.SOFT_INK, linewidth=0.7, zorder=3)
        axes.plot(x, y, shape, markersize=15, color=color, markeredgecolor=ink.INK, markeredgewidth=1.2, zorder=4)
        letters = "white" if shade(each.figures.wall_least_mm) < 0.6 else ink.INK
        axes.text(x, y, name, ha="center", va="center", fontsize=ink.FONT_PT, color=letters, zorder=5)
    axes.set_xlabel("medial shift of the centre from the native one (mm)")
    axes.set_ylabel("cover (% of the shell in bone)")
    axes.grid(color=ink.RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    ink.plain_axes(axes)
    made.colorbar(colors, cax=bar).set_label("least wall left (mm)", fontsize=ink.FONT_PT, color=ink.INK)
    bar.tick_params(labelsize=ink.SMALL_PT)
    if facts.curves:
        made.legend(loc="upper left", bbox_to_anchor=(0.06, 1.01), ncols=1, fontsize=ink.SMALL_PT, frameon=False)
    return made


def _apart(places: Array) -> Array:
    """Return where marks (n, 2) stand so that none covers another: moved up or down, in steps, until free."""
    span = np.maximum(np.ptp(places, axis=0), [4.0, 10.0])
    size = span * (0.05, 0.09)
    free: list[Array] = []
    for place in places:
        tries = [place + np.array([0.0, sign * step]) * size for step in range(12) for sign in (1.0, -1.0)]
        clear = (t for t in tries if all((np.abs(t - other) >= size).any() for other in free))
        free.append(next(clear, place))
    return np.array(free)


_AIMS: tuple[tuple[str, str, float, Callable[[CupOption], float]], ...] = (
    ("cover (%)", "{:.0f}", 1.0, lambda c: 100 * c.figures.cover),
    ("cover above (%)", "{:.0f}", 1.0, lambda c: 100 * c.figures.cover_above),
    ("wall along axis (mm)", "{:.1f}", 1.0, lambda c: c.figures.wall_along_axis_mm),
    ("least wall (mm)", "{:.1f}", 1.0, lambda c: c.figures.wall_least_mm),
    ("front, back wall (mm)", "{:.1f}", 1.0, thinner),
    ("centre off (mm)", "{:.1f}", -1.0, lambda c: c.figures.center_away_mm),
    ("bone taken (ml)", "{:.1f}", -1.0, lambda c: c.figures.removed_ml),
)


def profile_figure(facts: OptionsFacts) -> Figure:
    """Draw for each aim where each option lies between the worst and the best."""
    made = ink.figure(470, 400)
    axes = made.add_axes((0.4, 0.05, 0.5, 0.9))
    cups = [*facts.options, facts.plan]
    names = [*(letter(n) for n in range(len(facts.options))), "P"]
    for row, (words, form, sign, value) in enumerate(_AIMS):
        numbers = np.array([value(each) for each in cups])
        worst, best = (numbers.min(), numbers.max())[:: int(sign)]
        share = (numbers - worst) / (best - worst) if best != worst else np.full(len(numbers), 0.5)
        axes.plot([0, 1], [-row, -row], color=ink.RULE, linewidth=1.0, zorder=1)
        for name, at, lift in zip(names, share, _lifted(share), strict=True):
            color = ink.WALL_ON_PAPER if name == "P" else ink.CUP_ON_PAPER
            axes.plot(at, -row, "o", markersize=5, color=color, zorder=2)
            axes.text(at, -row + 0.12 + 0.2 * lift, name, ha="center", va="bottom", fontsize=ink.SMALL_PT, color=color)
        axes.text(-0.05, -row, form.format(worst), ha="right", va="center", fontsize=ink.SMALL_PT, color=ink.SOFT_INK)
        axes.text(1.05, -row, form.format(best), ha="left", va="center", fontsize=ink.SMALL_PT, color=ink.SOFT_INK)
        axes.text(-0.22, -row, words, ha="right", va="center", fontsize=ink.SMALL_PT, color=ink.INK)
    axes.text(0.0, -len(_AIMS) + 0.35, "worst", ha="center", va="center", fontsize=ink.SMALL_PT, color=ink.SOFT_INK)
    axes.text(1.0, -len(_AIMS) + 0.35, "best", ha="center", va="center", fontsize=ink.SMALL_PT, color=ink.SOFT_INK)
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-len(_AIMS) + 0.2, 0.9)
    axes.axis("off")
    return made


def _lifted(share: Array) -> list[int]:
    """Return how many lines up each letter stands so that none covers another."""
    taken: list[tuple[float, int]] = []
    lifts = [0] * len(share)
    for n in np.argsort(share, kind="stable"):
        lift = 0
        while any(abs(share[n] - at) < 0.06 and lift == other for at, other in taken):
            lift += 1
        taken.append((float(share[n]), lift))
        lifts[int(n)] = lift
    return lifts


def cups_figure(facts: OptionsFacts, planned: PlannedCup) -> Figure:
    """Draw the cups on the frontal cut of the hip bone through the centre to restore, from in front."""
    made = ink.figure(470, 400)
    axes = made.add_axes((0.02, 0.02, 0.96, 0.96))
    frame = planned.pelvis.frames[MEASURING_FRAME]
    middle = np.array(facts.goal.center_lps_mm)
    view = hip_view(frame, facts.side)
    # seen from in front the patient's left is to the right
    across = facts.side.lateral_sign * view.lateral
    cut = plane_section(near_part(planned.hip_bone, middle, 2 * _NEAR_MM), middle, across, view.superior)
    axes.add_collection(LineCollection(list(cut), colors=ink.BONE_ON_PAPER, linewidths=1.4, zorder=2))
    cups = [(letter(n), each) for n, each in enumerate(facts.options)] + [("P", facts.plan)]
    arcs = []
    for name, cup in cups:
        off = np.array(cup.center_lps_mm) - middle
        at = np.array([off @ across, off @ view.superior])
        arcs.append(_arc(planned, facts, cup, at, np.stack([across, view.superior])))
        color = ink.WALL_ON_PAPER if name == "P" else ink.CUP_ON_PAPER
        axes.plot(*arcs[-1].T, color=color, linewidth=1.2, linestyle=(0, (4, 3)) if name == "P" else "-", zorder=3)
        axes.plot(*at, ".", color=color, markersize=4, zorder=4)
    # letters stand at the upper ends of the arcs
    ends = np.array([max(arc[0], arc[-1], key=lambda end: float(end[1])) for arc in arcs])
    out = float(view.lateral @ across) * 5.0
    for (name, _), end, place in zip(cups, ends, _spread_out(ends + [out, 1.5]), strict=True):
        color = ink.WALL_ON_PAPER if name == "P" else ink.CUP_ON_PAPER
        axes.plot(*np.stack([end, place]).T, color=color, linewidth=0.5, zorder=3)
        axes.text(
            float(place[0]),
            float(place[1]),
            name,
            fontsize=ink.FONT_PT,
            color=color,
            ha="center",
            va="center",
            zorder=5,
            path_effects=ink.halo("#ffffff", 3.0),
        )
    axes.plot(0, 0, "+", color=ink.INK, markersize=12, zorder=6)
    axes.set_xlim(-_NEAR_MM, _NEAR_MM)
    axes.set_ylim(-0.8 * _NEAR_MM, 0.8 * _NEAR_MM)
    axes.set_aspect("equal")
    axes.axis("off")
    _bar(axes)
    return made


def _spread_out(places: Array) -> Array:
    """Return where letters (n, 2) stand: in a column beside their places, each its own height apart."""
    order = np.argsort(-places[:, 1], kind="stable")
    moved = places.copy()
    for before, after in pairwise(order):
        moved[after, 1] = min(moved[after, 1], moved[before, 1] - _LETTER_MM)
    moved[:, 1] += np.mean(places[:, 1] - moved[:, 1])
    outer = places[:, 0].min() if places[:, 0].mean() < 0 else places[:, 0].max()
    moved[:, 0] = outer
    return moved


def _arc(planned: PlannedCup, facts: OptionsFacts, cup: CupOption, at: Array, plane: Array) -> Array:
    """Return the half circle (n, 2) on the side of the bone; ``plane``: directions of the picture in rows."""
    frame = planned.pelvis.frames[facts.limits.frame]
    orientation = Orientation(cup.angles.inclination_deg, cup.angles.anteversion_deg)
    inward = -plane @ axis_from_orientation(orientation, facts.limits.definition, frame, facts.side)
    angle = np.arctan2(inward[1], inward[0]) + np.linspace(-np.pi / 2, np.pi / 2, 91)
    return at + 0.5 * cup.outer_diameter_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _bar(axes: Any) -> None:
    """Draw a centimetre."""
    left, foot = -0.95 * _NEAR_MM, -0.74 * _NEAR_MM
    axes.plot([left, left + 10], [foot, foot], color=ink.INK, linewidth=2, solid_capstyle="butt")
    axes.text(left + 12, foot, "1 cm", fontsize=ink.SMALL_PT, color=ink.INK, va="center")
