"""Draw carm_axes.png: the angles and axes of docs/methods/xray.md, from the geometry code itself."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from cotyle.space.frames import SCANNER
from cotyle.xray.carm import CArm, from_positioner
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse

TUBE, DETECTOR, AXIS = "#c2410c", "#1d4ed8", "#374151"


def c_arm(primary_deg: float, secondary_deg: float) -> CArm:
    """A C-arm around the origin with a 300 mm detector."""
    return from_positioner(
        (0, 0, 0),
        primary_deg,
        secondary_deg,
        frame=SCANNER,
        source_detector_mm=1000.0,
        source_isocenter_mm=650.0,
        pixel_pitch_mm=(3.0, 3.0),
        size=(100, 100),
    )


def draw(axes: Axes, carm: CArm, plane: tuple[int, int], signs: tuple[int, int], strong: bool) -> None:
    """Draw source, detector and central ray in two LPS coordinates."""
    middle = np.array(carm.center_px)
    ends = [middle - (50, 0), middle + (50, 0)] if plane == (0, 1) else [middle - (0, 50), middle + (0, 50)]
    detector = carm.pixel_to_lps(np.array(ends))[:, plane] * signs
    source = carm.source_lps_mm[list(plane)] * signs
    foot = carm.pixel_to_lps(middle)[list(plane)] * signs
    shade = 1.0 if strong else 0.35
    axes.plot(*zip(source, foot, strict=True), color=AXIS, lw=1, ls="--", alpha=shade)
    axes.plot(*detector.T, color=DETECTOR, lw=5, alpha=shade, solid_capstyle="butt")
    axes.plot(*source, "o", color=TUBE, ms=11, alpha=shade)


def label(axes: Axes, x: float, y: float, text: str, color: str = AXIS) -> None:
    """Write centred text."""
    axes.text(x, y, text, ha="center", va="center", fontsize=9, color=color)


def finish(axes: Axes, title: str) -> None:
    """Equal scales, no frame."""
    axes.set_title(title, fontsize=10)
    axes.set_aspect("equal")
    axes.set_xlim(-560, 560)
    axes.set_ylim(-760, 560)
    axes.axis("off")


def axial(axes: Axes) -> None:
    """Primary angle, looked at from the feet: the patient's left on the right, his front up."""
    axes.add_patch(Ellipse((0, 0), 340, 220, fc="#e5e7eb", ec=AXIS))
    label(axes, 0, 0, "supine patient,\nseen from his feet")
    label(axes, 235, 0, "left")
    label(axes, -240, 0, "right")
    draw(axes, c_arm(0, 0), (0, 1), (1, -1), True)
    draw(axes, c_arm(30, 0), (0, 1), (1, -1), False)
    axes.plot([-430, 430], [-150, -150], color="#9ca3af", lw=4)
    label(axes, -360, -185, "table")
    label(axes, -130, 400, "detector", DETECTOR)
    label(axes, -150, -650, "tube under\nthe table", TUBE)
    turn = np.deg2rad(np.linspace(2, 28, 30))
    axes.annotate(
        "",
        (440 * np.sin(turn[-1]), 440 * np.cos(turn[-1])),
        (440 * np.sin(turn[0]), 440),
        arrowprops={"arrowstyle": "->"},
    )
    label(axes, 130, 480, "primary + (LAO)")
    finish(axes, "primary angle (0018,1510)")


def sagittal(axes: Axes) -> None:
    """Secondary angle, looked at from the patient's left: his head on the right, his front up."""
    axes.add_patch(Ellipse((0, 0), 700, 210, fc="#e5e7eb", ec=AXIS))
    label(axes, 0, 0, "seen from his left")
    label(axes, 400, 0, "head")
    label(axes, -400, 0, "feet")
    draw(axes, c_arm(0, 0), (2, 1), (1, -1), True)
    draw(axes, c_arm(0, 25), (2, 1), (1, -1), False)
    axes.annotate("", (440 * np.sin(0.4), 440 * np.cos(0.4)), (10, 440), arrowprops={"arrowstyle": "->"})
    label(axes, 140, 490, "secondary + (cranial: an inlet)")
    finish(axes, "secondary angle (0018,1511)")


def picture(axes: Axes) -> None:
    """Columns and rows, and the angles read off a left cup's rim."""
    axes.add_patch(plt.Rectangle((-450, -600), 900, 900, fc="#111827", ec=AXIS))
    for start, end, text, where in (
        ((-420, 270), (-180, 270), "columns: to the patient's left", (80, 270)),
        ((-420, 270), (-420, 30), "rows: down", (-300, 60)),
    ):
        axes.annotate("", end, start, arrowprops={"arrowstyle": "->", "color": "w", "lw": 1.5})
        label(axes, *where, text, "w")
    axes.add_patch(Ellipse((200, -150), 360, 360 * np.sin(np.deg2rad(18)), angle=40, fc="none", ec="#22d3ee", lw=2))
    axes.plot([200, 430], [-150, -150], color="w", lw=0.8)
    axes.plot([200, 200 + 230 * np.cos(0.698)], [-150, -150 + 230 * np.sin(0.698)], color="w", lw=0.8)
    label(axes, 395, -80, "40 deg", "w")
    label(axes, 0, -450, "rim of a left cup: angle of its long axis,\nasin(minor / major) for the anteversion", "w")
    finish(axes, "the picture (either side of the tube)")


def main() -> None:
    """Write the picture beside this script."""
    figure, axes = plt.subplots(1, 3, figsize=(13, 5.2))
    for draw_part, part in zip((axial, sagittal, picture), axes, strict=True):
        draw_part(part)
    figure.tight_layout()
    figure.savefig(Path(__file__).with_name("carm_axes.png"), dpi=110)


if __name__ == "__main__":
    main()
