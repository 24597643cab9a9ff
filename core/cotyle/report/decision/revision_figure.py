"""Pictures of a revision: the old cup in the CT, and where bone is lost."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from cotyle.case.decision.revision import RevisionFacts, fields_and_socket, wall_behind
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.bone_loss import lost_points
from cotyle.cup.component import LARGEST_CUP_MM, SMALLEST_CUP_MM, Cup
from cotyle.report import ink
from cotyle.report.cup_planes import cup_planes
from cotyle.report.slices import Segment, draw_hemisphere, slice_figure

_DOTS = 6000


def revision_pictures(facts: RevisionFacts, planned: PlannedCup, hip: Hip) -> dict[str, bytes]:
    """Return the pictures of the part, PNG by short name."""
    pictures = {"upright": ink.png(upright_figure(planned, hip))}
    if facts.losses is not None:
        pictures["lost"] = ink.png(lost_figure(facts, hip))
    return pictures


def upright_figure(planned: PlannedCup, hip: Hip) -> Figure:
    """Draw the CT along the old cup's axis with the cup, its bed and the least bone behind it."""
    metal = planned.anatomy.skeleton.metal_cups[hip.side]
    size = float(np.clip(metal.outer_diameter_mm, SMALLEST_CUP_MM, LARGEST_CUP_MM))
    cup = Cup(hip.side, metal.center_lps_mm, metal.opening_axis_lps, size)
    plane = cup_planes(cup, hip.frame)[0]
    behind = wall_behind(metal, hip)
    least = Segment(behind.minimum_from_lps_mm, behind.minimum_at_lps_mm, f"{behind.minimum_mm:.1f} mm at the least")
    made = slice_figure(hip.scan, plane, planned.anatomy.surfaces, cup, (), (least,))
    if metal.bed is not None:
        bed = metal.bed.sphere
        draw_hemisphere(
            made.axes[0],
            plane,
            bed.center_lps_mm,
            metal.opening_axis_lps,
            bed.radius_mm,
            ink.FOUND,
            1.6,
            (0, (4, 2)),
        )
    return made


def lost_figure(facts: RevisionFacts, hip: Hip) -> Figure:
    """Draw the hip bone from in front and from the side, with what is lost and the outside of the old cup."""
    own, mirrored, socket, _ = fields_and_socket(hip)
    middle, frame = socket.center_lps_mm, hip.frame
    lost = lost_points(own, mirrored, socket, frame) - middle
    bone = hip.bone.vertices_lps_mm
    bone = bone[:: max(len(bone) // _DOTS, 1)] - middle
    made = ink.figure(470, 330)
    views = ((frame.left, "from in front", ("R", "L")), (frame.anterior, "from the side", ("P", "A")))
    for place, (right, words, letters) in enumerate(views):
        axes = made.add_axes((0.005 + 0.5 * place, 0.01, 0.485, 0.91))
        view = np.stack([right, frame.superior])
        axes.plot(*(bone @ view.T).T, ".", color="#c4b79a", markersize=1.2, zorder=1)
        axes.plot(*(lost @ view.T).T, ".", color=ink.WALL_ON_PAPER, markersize=1.6, zorder=2)
        at = view @ (np.array(facts.cup.center_lps_mm) - middle)
        axes.add_patch(
            Circle(
                (float(at[0]), float(at[1])),
                0.5 * facts.cup.outer_diameter_mm,
                fill=False,
                edgecolor=ink.CUP_ON_PAPER,
                linewidth=1.6,
                zorder=3,
            )
        )
        axes.set_title(words, fontsize=ink.SMALL_PT, color=ink.INK)
        for letter, x in zip(letters, (-_HALF_MM, _HALF_MM), strict=True):
            axes.text(x, _TOP_MM, letter, ha="center", va="top", fontsize=ink.FONT_PT, color=ink.SOFT_INK)
        axes.set(xlim=(-_HALF_MM - 5, _HALF_MM + 5), ylim=(_TOP_MM - 175, _TOP_MM), aspect="equal")
        axes.axis("off")
    return made


_HALF_MM, _TOP_MM = 63.0, 90.0
