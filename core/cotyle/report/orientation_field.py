"""Inclination against anteversion: the target, the native socket and the plan in each posture."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Rectangle

from cotyle.report import ink


@dataclass(frozen=True)
class FieldPoint:
    """One orientation to draw, with its words and, if known, one standard deviation of each angle."""

    words: str
    inclination_deg: float
    anteversion_deg: float
    marker: str
    color: str
    sd_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class TargetZone:
    """The middle and half widths of the target."""

    inclination_deg: float
    anteversion_deg: float
    inclination_tolerance_deg: float
    anteversion_tolerance_deg: float
    words: str


def orientation_field(
    points: list[FieldPoint], target: TargetZone, definition: str, width_px: float = 470, height_px: float = 315
) -> Figure:
    """Draw the field in one definition; each point's words name its frame."""
    made = ink.figure(width_px, height_px)
    axes = made.add_axes((0.12, 0.165, 0.86, 0.665))
    zone = Rectangle(
        (
            target.inclination_deg - target.inclination_tolerance_deg,
            target.anteversion_deg - target.anteversion_tolerance_deg,
        ),
        2 * target.inclination_tolerance_deg,
        2 * target.anteversion_tolerance_deg,
        facecolor="#e8eef4",
        edgecolor=ink.SOFT_INK,
        linewidth=1.0,
        linestyle=(0, (4, 3)),
        zorder=1,
    )
    axes.add_patch(zone)
    axes.plot(target.inclination_deg, target.anteversion_deg, "+", color=ink.SOFT_INK, markersize=12, zorder=2)
    for point in points:
        if point.sd_deg is not None:
            axes.add_patch(
                Ellipse(
                    (point.inclination_deg, point.anteversion_deg),
                    4 * point.sd_deg[0],
                    4 * point.sd_deg[1],
                    facecolor=point.color,
                    alpha=0.22,
                    zorder=2,
                )
            )
        axes.plot(
            point.inclination_deg,
            point.anteversion_deg,
            point.marker,
            color=point.color,
            markersize=9,
            markeredgecolor="white",
            markeredgewidth=0.8,
            zorder=4,
            label=point.words,
        )
    _limits(axes, points, target)
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


def _limits(axes: object, points: list[FieldPoint], target: TargetZone) -> None:
    """Show all points and the target, at least 20 to 60 by -5 to 40 degrees, one scale on both axes' steps."""
    x = [p.inclination_deg for p in points] + [
        target.inclination_deg + s * target.inclination_tolerance_deg for s in (-1, 1)
    ]
    y = [p.anteversion_deg for p in points] + [
        target.anteversion_deg + s * target.anteversion_tolerance_deg for s in (-1, 1)
    ]
    axes.set_xlim(min(20.0, min(x) - 4), max(65.0, max(x) + 4))  # type: ignore[attr-defined]
    axes.set_ylim(min(-5.0, min(y) - 4), max(40.0, max(y) + 4))  # type: ignore[attr-defined]
