"""Pictures of a comparison: outlines over the real picture, the same pose simulated, their difference, and both."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure
from matplotlib.path import Path
from PIL import Image
from scipy.ndimage import gaussian_filter

from cotyle.case.comparison import ComparedPicture, Comparison
from cotyle.case.stages import PlannedCup
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.bone_edges import bone_edges_px
from cotyle.report.side_marks import write_sides
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.outlines import hemisphere_outline
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare
from cotyle.xray.verdict import Verdict

_WIDTH_PX = 560
_LONGEST_PX = 640
_BLINK_MS = 700
_CUP_EDGE_PX = 0.01

Grey = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def comparison_pictures(planned: PlannedCup, scan: Volume, comparison: Comparison) -> dict[str, bytes]:
    """Return PNG by name: for the first picture ``1-overlay``, ``1-simulated``, ``1-difference`` and ``1-blink``.

    The last is animated: real and simulated picture in turn. A picture without a pose is shown as it is, alone.
    """
    body = prepare(scan)
    made: dict[str, bytes] = {}
    for number, each in enumerate(comparison.pictures, start=1):
        name = str(number)
        picture = each.picture.radiograph
        real = bone_grey(picture.attenuation, picture.usable, bone_beside_cup(comparison, each))
        if each.registration.verdict is Verdict.FAILED:
            made[f"{name}-overlay"] = ink.png(_drawn(real, f"picture {number}: no pose found"))
            continue
        simulated = simulated_grey(body, each)
        carm = each.registration.carm
        edges = bone_edges_px(carm, planned.anatomy.surfaces)
        outlined = _outlined(planned, comparison, carm, edges, real, f"picture {number}, real")
        same_pose = _outlined(planned, comparison, carm, edges, simulated, f"picture {number}, simulated from the CT")
        made[f"{name}-overlay"], made[f"{name}-simulated"] = ink.png(outlined), ink.png(same_pose)
        usable = each.picture.radiograph.usable
        made[f"{name}-difference"] = ink.png(
            _drawn(_difference(real, simulated, usable), f"picture {number}, real minus simulated")
        )
        made[f"{name}-blink"] = _blinking(real, simulated, usable)
    return made


def simulated_grey(body: ReadyVolume, each: ComparedPicture) -> Grey:
    """Return the body in the pose of a picture, with its rows and columns."""
    carm = each.registration.carm.resized(_fitting(each.picture.radiograph.attenuation.shape))
    integrals = line_integrals_of(body, carm)
    shown = bone_grey(integrals, integrals > 0.05 * integrals.max(), low_percent=22.0)
    rows, columns = each.picture.radiograph.attenuation.shape
    enlarged = Image.fromarray((255 * shown).astype(np.uint8)).resize((columns, rows), Image.Resampling.BICUBIC)
    return np.asarray(enlarged, dtype=float) / 255.0


def bone_grey(
    values: npt.NDArray[np.float32], usable: Mask, bone: Mask | None = None, low_percent: float = 3.0
) -> Grey:
    """Spread what the usable pixels show over the grey scale, bone light; the rest is black.

    ``bone``: those that set the scale, so that metal doesn't.
    """
    if not usable.any():
        return np.zeros(values.shape)
    scale = values[usable if bone is None or not bone.any() else bone]
    low, high = np.percentile(scale, [low_percent, 99.5])
    light = np.clip((values - low) / max(float(high - low), 1e-9), 0.0, 1.0)
    return np.where(usable, light, 0.0)


def bone_beside_cup(comparison: Comparison, each: ComparedPicture) -> Mask:
    """Return the usable pixels beside the cup that was found; all of them where there is none."""
    usable = each.picture.radiograph.usable
    if comparison.cup is None or comparison.cup.measured.rim is None or each.registration.verdict is Verdict.FAILED:
        return usable
    rows, columns = usable.shape
    outline = hemisphere_outline(each.registration.carm, comparison.cup.measured.rim).silhouette_px
    at = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    on_cup = Path(outline).contains_points(at, radius=_CUP_EDGE_PX * max(usable.shape)).reshape(rows, columns)
    return np.asarray(usable & ~on_cup)


def _difference(real: Grey, simulated: Grey, usable: Mask) -> Grey:
    """Return the difference of both without their slow shades, grey where they agree."""
    sigma = 0.03 * max(real.shape)
    flat = []
    for picture in (real, simulated):
        part = picture - gaussian_filter(picture, sigma)
        flat.append(part / max(float(np.std(part[usable])), 1e-9))
    return np.where(usable, np.clip(0.5 + 0.15 * (flat[0] - flat[1]), 0.0, 1.0), 0.0)


def _blinking(real: Grey, simulated: Grey, usable: Mask) -> bytes:
    frames = [
        Image.fromarray((255 * np.where(usable, picture, 0.0)).astype(np.uint8)).resize(
            _fitting(real.shape), Image.Resampling.LANCZOS
        )
        for picture in (real, simulated)
    ]
    buffer = io.BytesIO()
    frames[0].save(buffer, format="png", save_all=True, append_images=frames[1:], duration=_BLINK_MS, loop=0)
    return buffer.getvalue()


def _fitting(shape: tuple[int, ...]) -> tuple[int, int]:
    rows, columns = shape
    factor = min(1.0, _LONGEST_PX / max(rows, columns))
    return round(columns * factor), round(rows * factor)


def _outlined(
    planned: PlannedCup, comparison: Comparison, carm: CArm, edges: Sequence[Array], grey: Grey, words: str
) -> Figure:
    made = _drawn(grey, words)
    axes = made.axes[0]
    for line in edges:
        axes.plot(*line.T, color=ink.BONE_EDGE, linewidth=0.7, alpha=0.85)
    plan = hemisphere_outline(carm, planned.cup.rim)
    axes.plot(*plan.silhouette_px.T, color=ink.CUP, linewidth=1.6, linestyle=(0, (5, 3)), label="planned")
    axes.plot(*plan.rim_px.T, color=ink.CUP, linewidth=1.0, linestyle=(0, (2, 2)))
    if comparison.cup is not None and comparison.cup.measured.rim is not None:
        found = hemisphere_outline(carm, comparison.cup.measured.rim)
        axes.plot(*found.silhouette_px.T, color=ink.REAMER, linewidth=1.6, label="found")
        axes.plot(*found.rim_px.T, color=ink.REAMER, linewidth=1.0)
    legend = axes.legend(loc="lower right", fontsize=ink.SMALL_PT, framealpha=0.6, facecolor="black", edgecolor="none")
    for text in legend.get_texts():
        text.set_color("white")
    return made


def _drawn(grey: Grey, words: str) -> Figure:
    rows, columns = grey.shape
    made = ink.figure(_WIDTH_PX, _WIDTH_PX * rows / columns)
    axes = made.add_axes((0, 0, 1, 1))
    axes.imshow(grey, cmap="gray", vmin=0, vmax=1, interpolation="bilinear")
    style: dict[str, Any] = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
    write_sides(axes)  # a real picture was brought to its usual view
    axes.text(0.02, 0.02, words, ha="left", va="bottom", fontsize=ink.SMALL_PT, **style)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_axis_off()
    return made
