"""A simulated X-ray view with the planned cup's outline and the ellipse of its rim."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from cotyle.case.simulated import SimulatedView
from cotyle.report import ink
from cotyle.space.arrays import Array

_LANDMARKS = ("teardrop", "superolateral_rim", "si_joint_inferior")


def xray_figure(shown: SimulatedView, landmarks_px: dict[str, Array], width_px: float = 960) -> Figure:
    """Draw a view; landmarks are (column, row) by name, and those beside the picture are left out."""
    rows, columns = shown.pixels.shape
    made = ink.figure(width_px, width_px * rows / columns)
    axes = made.add_axes((0, 0, 1, 1))
    axes.imshow(shown.pixels, cmap="gray", vmin=0, vmax=255, interpolation="bilinear")
    axes.plot(*shown.outline.silhouette_px.T, color=ink.CUP, linewidth=2.0)
    axes.plot(*shown.rim_ellipse.points().T, color=ink.REAMER, linewidth=1.5, linestyle=(0, (5, 3)))
    ends = shown.rim_ellipse.major_ends
    axes.plot(*ends.T, color=ink.REAMER, linewidth=0.9)
    for name, (x, y) in landmarks_px.items():
        if name.rsplit("_", 1)[0] in _LANDMARKS and 0 <= x < columns and 0 <= y < rows:
            axes.plot(x, y, "o", markersize=6, markerfacecolor="none", markeredgecolor=ink.WALL, markeredgewidth=1.3)
    _sides(axes, columns, rows)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_axis_off()
    return made


def _sides(axes: Any, columns: int, rows: int) -> None:
    style = {"color": "white", "fontsize": 15, "fontweight": "bold", "path_effects": ink.halo(), "va": "top"}
    axes.text(0.02 * columns, 0.02 * rows, "R", ha="left", **style)
    axes.text(0.98 * columns, 0.02 * rows, "L", ha="right", **style)
    axes.text(
        0.5 * columns, 0.985 * rows, "SIMULATED", ha="center", va="bottom", color="white", fontsize=ink.FONT_PT,
        path_effects=ink.halo(),
    )  # fmt: skip
