"""Draw the pictures of docs/c-arm-geometry.md from the geometry code itself.

``python docs/images/draw_carm_geometry.py cotyle-demo``; the argument is a planned case, for the named views.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from cotyle.case.simulated import simulate, view_of
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.report.side_marks import side_letters, write_sides
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.ellipse import project_circle
from cotyle.xray.projector.line_integrals import prepare
from cotyle.xray.views import Machine, View, ViewName, free_view
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse, Rectangle

HERE = Path(__file__).parent
TUBE, DETECTOR, AXIS, SOFT = "#c2410c", "#1d4ed8", "#1f2937", "#e5e7eb"
PITCH = 3.0


def machine(tube: Tube) -> Machine:
    """A C-arm, or a film, of 1000 mm with the isocentre at 650 mm from the source."""
    return Machine(tube, 1000.0, 650.0, (300.0, 300.0), (100, 100))


def view(primary: float = 0.0, secondary: float = 0.0, tube: Tube = Tube.UNDER_TABLE) -> View:
    """A view of the origin."""
    return free_view("free", SCANNER, (0.0, 0.0, 0.0), primary, secondary, machine(tube))


def label(
    axes: Axes, x: float, y: float, text: str, color: str = AXIS, size: float = 9.0, align: str = "center"
) -> None:
    """Write text."""
    axes.text(x, y, text, ha=align, va="center", fontsize=size, color=color)


def arrow(
    axes: Axes, start: tuple[float, float], end: tuple[float, float], bend: float = 0.0, style: str = "->"
) -> None:
    """Draw an arrow."""
    how = {"arrowstyle": style, "color": AXIS, "lw": 1.4, "connectionstyle": f"arc3,rad={bend}"}
    axes.annotate("", end, start, arrowprops=how)


def finish(axes: Axes, title: str) -> None:
    """Equal scales, no frame."""
    axes.set_title(title, fontsize=10.5, fontweight="bold")
    axes.set(aspect="equal", xlim=(-560, 560), ylim=(-720, 690))
    axes.axis("off")


def beam(axes: Axes, carm: CArm, plane: tuple[int, int], signs: tuple[int, int], shade: float = 1.0) -> None:
    """Draw source, detector and central ray in two LPS coordinates."""
    middle = np.array(carm.center_px)
    half = np.array([50, 0]) if plane == (0, 1) else np.array([0, 50])
    detector = carm.pixel_to_lps(np.array([middle - half, middle + half]))[:, plane] * signs
    source = carm.source_lps_mm[list(plane)] * signs
    foot = carm.pixel_to_lps(middle)[list(plane)] * signs
    axes.plot(*zip(source, foot, strict=True), color=AXIS, lw=1, ls="--", alpha=shade)
    axes.plot(*detector.T, color=DETECTOR, lw=6, alpha=shade, solid_capstyle="butt")
    axes.plot(*source, "o", color=TUBE, ms=12, alpha=shade)


def from_the_feet(axes: Axes, tube: Tube, title: str) -> None:
    """The patient from his feet: his left on the right, his front up; both distances."""
    axes.add_patch(Ellipse((0, 0), 360, 230, fc=SOFT, ec=AXIS))
    axes.plot([-400, 300], [-150, -150], color="#9ca3af", lw=5)
    label(axes, 165, -215, "supine patient\nfrom his feet")
    label(axes, 215, 20, "L")
    label(axes, -215, 20, "R")
    axes.plot(0, 0, "+", color=AXIS, ms=12)
    label(axes, -15, -50, "isocentre", align="right")
    carm = view(tube=tube).carm
    beam(axes, carm, (0, 1), (1, -1))
    source, detector = -carm.source_lps_mm[1], -carm.pixel_to_lps(carm.center_px)[1]
    arrow(axes, (330, source), (330, detector), style="<->")
    label(axes, 345, 0.5 * (source + detector) + 130, "source to\ndetector\n(0018,1110)", align="left")
    arrow(axes, (-330, source), (-330, 0), style="<->")
    label(axes, -345, 0.5 * source, "source to\nisocentre\n(0018,1111)\nin XA", align="right")
    label(axes, 40, source, "tube", TUBE, align="left")
    label(axes, -170, detector, "detector", DETECTOR, align="right")
    finish(axes, title)


def angles(axes: Axes, primary: float, secondary: float) -> None:
    """One angle at 0 and turned, from the feet or from the left."""
    feet = secondary == 0
    plane = (0, 1) if feet else (2, 1)
    axes.add_patch(Ellipse((0, 0), 360 if feet else 760, 220, fc=SOFT, ec=AXIS))
    label(axes, 150, -170, "from his feet" if feet else "from his left", align="left")
    for x, text in ((235, "L"), (-235, "R")) if feet else ((460, "head"), (-460, "feet")):
        label(axes, x, 0, text)
    for turned, shade in ((0.0, 1.0), (1.0, 0.4)):
        beam(axes, view(turned * primary, turned * secondary).carm, plane, (1, -1), shade)
    arrow(axes, (20, 420), (215 if feet else 180, 380), bend=-0.15)
    words = "primary +\n(0018,1510)\nto his left (LAO)" if feet else "secondary +\n(0018,1511)\nto his head (cranial)"
    label(axes, 60, 540, words, align="left")
    finish(axes, "primary angle" if feet else "secondary angle: + looks like an inlet")


def pixels(axes: Axes) -> None:
    """The picture: pixels, axes, principal point."""
    carm = view().carm
    axes.add_patch(Rectangle((-560, -700), 1120, 1120, fc="#111827", ec=AXIS))
    top = np.array([-530.0, 390.0])
    corner = carm.pixel_to_lps((0.0, 0.0))
    for pixel, text, where in (
        ((60, 0), "columns: to his left", (-60, 330)),
        ((0, 60), "rows: to his feet", (-330, -420)),
    ):
        way = (carm.pixel_to_lps(np.array(pixel, dtype=float)) - corner)[[0, 2]] * 4.0
        start = top
        axes.annotate("", start + 0.9 * way, start, arrowprops={"arrowstyle": "->", "color": "w", "lw": 1.8})
        label(axes, *where, text, "w")
    axes.plot(*top, "s", color="#22d3ee", ms=7)
    label(axes, -540, 470, "pixel (0, 0) is named by its centre", AXIS, align="left")
    foot = (carm.principal_point_px - carm.center_px) * 9.0
    axes.plot(foot[0], -150 - foot[1], "+", color="#fbbf24", ms=16, mew=2)
    label(axes, 60, -245, "principal point: foot of the\nperpendicular from the source", "#fbbf24")
    label(
        axes,
        0,
        -560,
        "pitch (0018,1164) is on the detector;\nat the hip: pitch times depth over\nsource to detector",
        "w",
    )
    label(axes, -520, -650, "R", "w", 13)
    label(axes, 520, -650, "L", "w", 13)
    finish(axes, "the picture, tube under or over")


def divergence(axes: Axes) -> None:
    """One cup, 40 and 15 deg, 90 mm lateral and 40 mm below the beam, as both machines show it."""
    side = Side.LEFT
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, SCANNER, side)
    rim = Circle(np.array([90.0, 0.0, -40.0]), axis, 26.0)
    axes.add_patch(Rectangle((-560, -700), 1120, 1120, fc="#111827", ec=AXIS))
    for tube, color, row in ((Tube.UNDER_TABLE, "#22d3ee", -60), (Tube.OVER_TABLE, "#fb923c", -360)):
        made = Machine(tube, 1150.0, 1000.0, (300.0, 300.0), (100, 100))
        carm = free_view("free", SCANNER, (0.0, 0.0, 0.0), 0.0, 0.0, made).carm
        found = project_circle(carm, rim)
        points = 5.0 * (found.points() - found.center)
        axes.plot(points[:, 0] - 330, row + 90 - points[:, 1], color=color, lw=2)
        read = np.rad2deg(np.arcsin(found.axis_ratio))
        words = "tube under the table" if tube is Tube.UNDER_TABLE else "film, tube in front"
        label(axes, -90, row + 90, f"{words}:\nanteversion reads {read:.1f}", color, align="left")
    label(axes, 0, -540, "the same cup, 40/15 deg, 90 mm lateral\nand 40 mm below the middle of the beam", "w")
    finish(axes, "divergence: its sign is that of the tube")


def moves(axes: Axes) -> None:
    """The three moves and their positive signs."""
    for x, y, words in (
        (0, 440, "1  turn the picture +:\nclockwise"),
        (0, 20, "2  roll the table +:\nhis left side up"),
        (0, -420, "3  tilt the C-arm +:\ndetector to his head"),
    ):
        label(axes, x, y, words, align="left")
    for angle, shade in ((0.0, 0.3), (-15.0, 1.0)):
        square = Rectangle((-400, 350), 180, 180, angle=angle, rotation_point="center", fc="none", ec=AXIS, alpha=shade)
        axes.add_patch(square)
    arrow(axes, (-370, 560), (-235, 555), bend=-0.3)
    for angle, shade in ((0.0, 0.3), (15.0, 1.0)):
        # from the feet: x is his left, y his front; a positive roll lifts the left side
        turn = rotation_matrix((0.0, 0.0, 1.0), -angle)
        left = turn @ np.array([1.0, 0.0, 0.0])
        ends = np.outer([-170, 170], [left[0], -left[1]]) + [-310, 0]
        axes.plot(*ends.T, color="#9ca3af" if angle else SOFT, lw=5)
        axes.add_patch(Ellipse(ends.mean(axis=0) + [0, 45], 220, 80, angle=angle, fc=SOFT, ec=AXIS, alpha=shade))
    arrow(axes, (-130, 0), (-130, 90), bend=0.2)
    for secondary, shade in ((0.0, 0.3), (25.0, 1.0)):
        carm = view(0.0, secondary).carm
        ends = np.array([carm.source_lps_mm, carm.pixel_to_lps(carm.center_px)])[:, [2, 1]] * (0.3, -0.3) + [-310, -470]
        axes.plot(*ends.T, color=AXIS, ls="--", lw=1, alpha=shade)
        axes.plot(*ends[0], "o", color=TUBE, ms=7, alpha=shade)
        axes.plot(*ends[1], "s", color=DETECTOR, ms=8, alpha=shade)
    axes.add_patch(Ellipse((-310, -470), 300, 70, fc=SOFT, ec=AXIS))
    for x, text in ((-510, "feet"), (-110, "head")):
        label(axes, x, -470, text, size=8)
    finish(axes, "moves that level, in their order")


def geometry() -> None:
    """Write carm-geometry.png."""
    figure, axes = plt.subplots(2, 4, figsize=(16, 9.6))
    from_the_feet(axes[0, 0], Tube.UNDER_TABLE, "C-arm at 0/0: tube under the table")
    from_the_feet(axes[0, 1], Tube.OVER_TABLE, "film: tube in front, same line of sight")
    angles(axes[0, 2], 30.0, 0.0)
    angles(axes[0, 3], 0.0, 25.0)
    pixels(axes[1, 0])
    divergence(axes[1, 1])
    moves(axes[1, 2])
    axes[1, 3].axis("off")
    words = (
        "DICOM's angles 0/0 mean:\ndetector in front, tube behind.\n\nMobile C-arms also write 0/0,\n"
        "and distances of 0, without\n"
        "measuring them: such values\nare not taken, they are asked for.\n\nThe tube is never guessed."
    )
    axes[1, 3].text(0.02, 0.6, words, fontsize=10.5, va="center", color=AXIS, transform=axes[1, 3].transAxes)
    figure.tight_layout()
    figure.savefig(HERE / "carm-geometry.png", dpi=80)


def views(case: Path) -> None:
    """Write carm-views.jpg: the named views of a case."""
    stored = read_case(case)
    planned = plan_cup(stored.anatomy, stored.scan, stored.plan)
    ready = prepare(stored.scan)
    figure, axes = plt.subplots(2, 4, figsize=(14, 7.6))
    for part, name in zip(axes.flat, ViewName, strict=False):
        seen = view_of(planned, name)
        shown = simulate(planned, ready, seen)
        part.imshow(shown.pixels, cmap="gray", vmin=0, vmax=255)
        part.plot(*shown.outline.silhouette_px.T, color="#56b4e9", lw=1.5)
        write_sides(part, side_letters(seen.carm), 12.0)
        words = f"{name.replace('_', ' ')}: {seen.primary_deg:+.0f} / {seen.secondary_deg:+.0f}".replace("-", "−")
        part.set_title(words, fontsize=11)
    for part in axes.flat:
        part.axis("off")
    figure.tight_layout()
    figure.savefig(HERE / "carm-views.jpg", dpi=70, pil_kwargs={"quality": 82})


if __name__ == "__main__":
    geometry()
    if len(sys.argv) > 1:
        views(Path(sys.argv[1]))
