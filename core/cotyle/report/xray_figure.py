"""A simulated X-ray view with the planned cup's outline and the ellipse of its rim."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from cotyle.case.simulated import SimulatedView
from cotyle.report import ink
from cotyle.space.arrays import Array

_LANDMARKS = ("teardrop", "superolateral_rim", "si_joint_inferior")


def xray_figure(
    shown: SimulatedView, landmarks_px: dict[str, Array], rows_shown: tuple[float, float], width_px: float = 960
) -> Figure:
    """Draw a view between two rows; landmarks are (column, row) by name, and those beside the picture are left out."""
    columns = shown.pixels.shape[1]
    top, bottom = rows_shown
    made = ink.figure(width_px, width_px * (bottom - top) / columns)
    axes = made.add_axes((0, 0, 1, 1))
    axes.imshow(shown.pixels, cmap="gray", vmin=0, vmax=255, interpolation="bilinear")
    axes.plot(*shown.outline.silhouette_px.T, color=ink.CUP, linewidth=2.0)
    axes.plot(*shown.rim_ellipse.points().T, color=ink.REAMER, linewidth=1.5, linestyle=(0, (5, 3)))
    ends = shown.rim_ellipse.major_ends
    axes.plot(*ends.T, color=ink.REAMER, linewidth=0.9)
    for name, (x, y) in landmarks_px.items():
        if name.rsplit("_", 1)[0] in _LANDMARKS and 0 <= x < columns and top <= y < bottom:
            axes.plot(x, y, "o", markersize=6, markerfacecolor="none", markeredgecolor=ink.WALL, markeredgewidth=1.3)
    _sides(axes)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(bottom, top))
    axes.set_axis_off()
    return made


def _sides(axes: Any) -> None:
    style = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
    axes.text(0.02, 0.975, "R", ha="left", va="top", fontsize=15, fontweight="bold", **style)
    axes.text(0.98, 0.975, "L", ha="right", va="top", fontsize=15, fontweight="bold", **style)
    axes.text(0.5, 0.02, "SIMULATED from CT", ha="center", va="bottom", fontsize=ink.FONT_PT, **style)
