"""Inclination against anteversion: the target, the native socket and the plan in each posture."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Rectangle

from cotyle.report import ink
from cotyle.report.field_content import FieldMark, Kind, TargetZone, field_ranges_deg

_STYLES = {
    Kind.PLAN_SUPINE: ("o", ink.CUP_ON_PAPER),
    Kind.PLAN_APP: ("s", ink.REAMER),
    Kind.PLAN_STANDING: ("^", ink.BONE_ON_PAPER),
    Kind.KEPT: ("v", ink.SOFT_INK),
    Kind.NATIVE: ("D", ink.NATIVE),
    Kind.FOUND: ("X", ink.WALL_ON_PAPER),
}


def orientation_field(
    marks: list[FieldMark], target: TargetZone, definition: str, width_px: float = 470, height_px: float = 315
) -> Figure:
    """Draw the field in one definition; each mark's words name its frame."""
    made = ink.figure(width_px, height_px)
    axes = made.add_axes((0.12, 0.165, 0.86, 0.665))
    (left, right), (low, high) = target.inclination_range_deg, target.anteversion_range_deg
    zone = Rectangle(
        (left, low),
        right - left,
        high - low,
        facecolor="#e8eef4",
        edgecolor=ink.SOFT_INK,
        linewidth=1.0,
        linestyle=(0, (4, 3)),
        zorder=1,
    )
    axes.add_patch(zone)
    axes.plot(target.inclination_deg, target.anteversion_deg, "+", color=ink.SOFT_INK, markersize=12, zorder=2)
    for mark in marks:
        shape, color = _STYLES[mark.kind]
        if mark.sd_deg is not None:
            axes.add_patch(
                Ellipse(
                    (mark.inclination_deg, mark.anteversion_deg),
                    4 * mark.sd_deg[0],
                    4 * mark.sd_deg[1],
                    facecolor=color,
                    alpha=0.22,
                    zorder=2,
                )
            )
        axes.plot(
            mark.inclination_deg,
            mark.anteversion_deg,
            shape,
            color=color,
            markersize=9,
            markeredgecolor="white",
            markeredgewidth=0.8,
            zorder=4,
            label=mark.words,
        )
    inclinations, anteversions = field_ranges_deg(marks, target)
    axes.set_xlim(inclinations)
    axes.set_ylim(anteversions)
    axes.set_xlabel(f"inclination, {definition} (deg)")
    axes.set_ylabel(f"anteversion, {definition} (deg)")
    axes.grid(color=ink.RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    ink.plain_axes(axes)
    handles, labels = axes.get_legend_handles_labels()
    made.legend(
        [zone, *handles],
        [target.words, *labels],
        loc="upper left",
        bbox_to_anchor=(0.115, 1.0),
        ncols=2 if len(labels) < 4 else 3,
        fontsize=ink.SMALL_PT,
        frameon=False,
        numpoints=1,
        borderpad=0.1,
        columnspacing=1.2,
        handletextpad=0.5,
    )
    return made
