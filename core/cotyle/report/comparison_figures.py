"""Pictures of a comparison: outlines over the real picture, the same pose simulated, their difference, and both."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure
from PIL import Image
from scipy.ndimage import gaussian_filter

from cotyle.case.comparison import ComparedPicture, Comparison
from cotyle.case.stages import PlannedCup
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.xray.carm import CArm
from cotyle.xray.outlines import hemisphere_outline, joined, silhouette_segments
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare
from cotyle.xray.registration.bone_model import PELVIS
from cotyle.xray.verdict import Verdict

_WIDTH_PX = 560
_LONGEST_PX = 640
_BLINK_MS = 700
_LONG_MM = 40.0
"""Shorter edges of bone are left out: rough spots at the joints, which no picture shows."""

Grey = npt.NDArray[np.float64]


def comparison_pictures(planned: PlannedCup, scan: Volume, comparison: Comparison, stem: str) -> dict[str, bytes]:
    """Return PNG by name, for each picture ``-overlay``, ``-simulated``, ``-difference`` and ``-blink``.

    The last is animated: real and simulated picture in turn. A picture without a pose is shown as it is, alone.
    """
    body = prepare(scan)
    made: dict[str, bytes] = {}
    for number, each in enumerate(comparison.pictures, start=1):
        name = f"{stem}-{number}"
        real = _shown(each.picture.radiograph.attenuation, each.picture.radiograph.usable)
        if each.registration.verdict is Verdict.FAILED:
            made[f"{name}-overlay"] = ink.png(_drawn(real, f"picture {number}: no pose found"))
            continue
        simulated = _simulated(body, each)
        carm = each.registration.carm
        edges = _bone_edges(carm, planned.anatomy.surfaces)
        outlined = _outlined(planned, comparison, carm, edges, real, f"picture {number}, real")
        same_pose = _outlined(planned, comparison, carm, edges, simulated, f"picture {number}, simulated from the CT")
        made[f"{name}-overlay"], made[f"{name}-simulated"] = ink.png(outlined), ink.png(same_pose)
        usable = each.picture.radiograph.usable
        made[f"{name}-difference"] = ink.png(
            _drawn(_difference(real, simulated, usable), f"picture {number}, real minus simulated")
        )
        made[f"{name}-blink"] = _blinking(real, simulated, usable)
    return made


def _simulated(body: ReadyVolume, each: ComparedPicture) -> Grey:
    carm = each.registration.carm.resized(_fitting(each.picture.radiograph.attenuation.shape))
    integrals = line_integrals_of(body, carm)
    shown = _shown(integrals, integrals > 0.05 * integrals.max(), low_percent=22.0)
    rows, columns = each.picture.radiograph.attenuation.shape
    enlarged = Image.fromarray((255 * shown).astype(np.uint8)).resize((columns, rows), Image.Resampling.BICUBIC)
    return np.asarray(enlarged, dtype=float) / 255.0


def _shown(values: npt.NDArray[np.float32], usable: npt.NDArray[np.bool_], low_percent: float = 3.0) -> Grey:
    """Spread what the usable pixels show over the grey scale, bone light; the rest is black."""
    if not usable.any():
        return np.zeros(values.shape)
    low, high = np.percentile(values[usable], [low_percent, 99.5])
    light = np.clip((values - low) / max(float(high - low), 1e-9), 0.0, 1.0)
    return np.where(usable, light, 0.0)


def _difference(real: Grey, simulated: Grey, usable: npt.NDArray[np.bool_]) -> Grey:
    """Return the difference of both without their slow shades, grey where they agree."""
    sigma = 0.03 * max(real.shape)
    flat = []
    for picture in (real, simulated):
        part = picture - gaussian_filter(picture, sigma)
        flat.append(part / max(float(np.std(part[usable])), 1e-9))
    return np.where(usable, np.clip(0.5 + 0.15 * (flat[0] - flat[1]), 0.0, 1.0), 0.0)


def _blinking(real: Grey, simulated: Grey, usable: npt.NDArray[np.bool_]) -> bytes:
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


def _bone_edges(carm: CArm, surfaces: Mapping[str, TriangleMesh]) -> list[Array]:
    """Return the long edges of the pelvis in pixels."""
    lines = [line for name in PELVIS if name in surfaces for line in joined(silhouette_segments(carm, surfaces[name]))]
    return [carm.project(line) for line in lines if _length(line) > _LONG_MM]


def _length(line_lps_mm: Array) -> float:
    return float(np.linalg.norm(np.diff(line_lps_mm, axis=0), axis=1).sum())


def _drawn(grey: Grey, words: str) -> Figure:
    rows, columns = grey.shape
    made = ink.figure(_WIDTH_PX, _WIDTH_PX * rows / columns)
    axes = made.add_axes((0, 0, 1, 1))
    axes.imshow(grey, cmap="gray", vmin=0, vmax=1, interpolation="bilinear")
    style: dict[str, Any] = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes}
    axes.text(0.02, 0.975, "R", ha="left", va="top", fontsize=14, fontweight="bold", **style)
    axes.text(0.98, 0.975, "L", ha="right", va="top", fontsize=14, fontweight="bold", **style)
    axes.text(0.02, 0.02, words, ha="left", va="bottom", fontsize=ink.SMALL_PT, **style)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_axis_off()
    return made
