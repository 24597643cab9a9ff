"""Draws the module's icon: a cup in its socket with its axis. Run: python draw_icon.py."""

from pathlib import Path

import numpy as np
from cotyle.report import ink
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

PIXELS = 128
TILT = np.radians(40.0)


def _arc(radius: float) -> np.ndarray:
    angles = np.radians(np.linspace(0.0, 180.0, 60)) + TILT - np.pi
    return np.stack([radius * np.cos(angles - np.pi), radius * np.sin(angles - np.pi)], axis=1)


def main() -> None:
    """Draw it into the module's folder."""
    figure = Figure(figsize=(1, 1), dpi=PIXELS)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(-1, 1), ylim=(-1, 1))
    axes.set_axis_off()
    axes.add_patch(Rectangle((-1, -1), 2, 2, color="#22303a"))
    middle = np.array([0.05, -0.1])
    for outer, inner, color in ((0.86, 0.62, "#e6dbc7"), (0.58, 0.42, ink.CUP)):
        axes.add_patch(Polygon(np.concatenate([_arc(outer), _arc(inner)[::-1]]) + middle, color=color))
    axis = np.array([-np.sin(TILT), np.cos(TILT)])
    ends = middle + np.outer([-0.75, 1.0], axis)
    axes.plot(ends[:, 0], ends[:, 1], color=ink.WALL_ON_PAPER, linewidth=3)
    figure.savefig(
        Path(__file__).parent / "CupPlanning" / "Resources" / "Icons" / "CupPlanning.png", metadata={"Software": None}
    )


if __name__ == "__main__":
    main()
