"""Draw levelling.png: a pelvis as it lies, what was clicked, and the picture after the moves that the clicks gave.

Run: python docs/images/draw_levelling.py (needs the repository on the path: the clicks are those of the tests).
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.levelling import levelling_of
from cotyle.xray.levelling.moves import Setting, with_moves
from cotyle.xray.levelling.point_pose import pose_near
from cotyle.xray.levelling.point_task import Known
from cotyle.xray.outlines import silhouette_px
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.xray.levelling.clicked_pelves import (
    FORAMINA,
    TEARDROPS,
    Errors,
    clicks_of,
    nominal,
    pelvis,
)

BONE, CLICK, LINE = "#374151", "#c2410c", "#1d4ed8"
NAMES = (*TEARDROPS, "symphysis", "sacral_crest", *FORAMINA)


def draw(axes: Axes, carm: CArm, known: Known, title: str) -> None:
    """Contours of the bones, the line of the teardrops, symphysis and the midline of the sacrum."""
    for bone in (*known.hip_bones.values(), known.sacrum):
        # each wall of bone darkens the picture a little, as on a film printed bone dark
        flat = carm.project(bone.vertices_lps_mm)[bone.triangles]
        axes.add_collection(PolyCollection(flat, facecolors=BONE, edgecolors="none", alpha=0.09, antialiaseds=False))
        axes.add_collection(LineCollection(silhouette_px(carm, bone), colors=BONE, linewidths=0.7))
    teardrops = carm.project(np.stack([known.landmarks[name].lps_mm for name in TEARDROPS]))
    along = teardrops[0] - teardrops[1]
    axes.plot(*zip(teardrops[1] - 0.35 * along, teardrops[0] + 0.35 * along, strict=True), color=LINE, lw=1.2)
    axes.text(*(teardrops[0] + 0.36 * along), "teardrops", color=LINE, fontsize=8, va="center")
    axes.set_xlim(60, 964)
    axes.set_ylim(880, 150)
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_title(title, fontsize=10)


def main() -> None:
    """Write the picture beside this file."""
    known = pelvis(2)
    straight = nominal(known)
    middle = 0.5 * sum(known.landmarks[f"hip_center_{side}"].lps_mm for side in Side)
    turn = rotation_matrix(known.frame.left, 7.0) @ rotation_matrix(known.frame.superior, 8.0)
    turn = turn @ rotation_matrix(known.frame.posterior, 5.0)
    carm = straight.moved(rigid_matrix(turn, middle - turn @ middle + np.array([10.0, 0.0, 8.0])))
    clicks = clicks_of(carm, known, NAMES, np.random.default_rng(3), Errors(1.0, places=False))
    pose = pose_near(clicks, known, straight, (0.0, 0.0))
    found = levelling_of(pose.carm, {"supine": known.frame}, covariance=pose.covariance)["supine"]
    after = with_moves(carm, Setting(), found.moves, middle)
    left = levelling_of(after, {"supine": known.frame})["supine"].posture

    figure, (before_axes, after_axes) = plt.subplots(1, 2, figsize=(11, 5.4), dpi=110)
    draw(before_axes, carm, known, "as the picture was taken, with the clicks")
    before_axes.plot(*np.array(list(clicks.values())).T, "+", color=CLICK, ms=9, mew=1.8)
    draw(after_axes, after, known, "after the moves")
    after_axes.text(
        512,
        870,
        f"left over: tilt {left.anterior_tilt_deg:+.1f}, rotation {left.rotation_to_left_deg:+.1f}, "
        f"obliquity {left.left_up_deg:+.1f} deg",
        ha="center",
        fontsize=9,
        color=BONE,
    )
    for row, line in enumerate(found.words):
        figure.text(0.5, 0.105 - 0.035 * row, f"{row + 1}.  {line}", ha="center", fontsize=9, color=CLICK)
    figure.subplots_adjust(left=0.01, right=0.99, top=0.94, bottom=0.13, wspace=0.02)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    picture = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    # greys and three colours: a palette does, at a third of the size
    picture.quantize(128, dither=Image.Dither.NONE).save(Path(__file__).with_name("levelling.png"), optimize=True)


if __name__ == "__main__":
    main()
