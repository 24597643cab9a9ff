"""The depth track: the way along the reaming axis, from the native rim to the inner surface of the pelvis.

Depths grow to the right, as the reamer goes in. One strip shows the density met, one each reamer, one the cup, and
below them stands in plain numbers what is left.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from cotyle.cup.depth_track import DepthTrack
from cotyle.report import ink
from cotyle.report.track_content import AXIS_WORDS, DENSITY_WORDS, TrackContent, track_content

_STRIP, _ROW = 1.0, 0.62
_WORDS_SHARE = 0.31
"""Share of the width that the words beside a reamer need."""


def depth_track_figure(track: DepthTrack, cup_diameter_mm: float, width_px: float = 960) -> Figure:
    """Draw the track of a plan across the full width."""
    content = track_content(track, cup_diameter_mm)
    rows = len(content.reamers) + 1
    height = _STRIP + 0.45 + rows * _ROW + 0.9
    made = ink.figure(width_px, 62 + 46 * height)
    axes = made.add_axes((0.14, 0.155, 0.85, 0.83))
    first, last = _extent(content, track.pole_mm)
    axes.set_xlim(first, last)
    axes.set_ylim(height, 0)
    _density(axes, content, first, last)
    _soft_fossa(axes, content)
    y = _STRIP + 0.45 - 0.5 * _ROW
    for name, way in zip(content.names, content.reamers, strict=True):
        y += _ROW
        _bar(axes, y, way.from_mm, way.to_mm, ink.REAMER)
        _row_name(axes, y, name)
        _words_beside(axes, y, way.from_mm, way.to_mm, way.words)
    y += _ROW
    _bar(axes, y, content.cup.from_mm, content.cup.to_mm, ink.CUP_ON_PAPER)
    _row_name(axes, y, content.cup_name)
    _words_beside(axes, y, first, content.cup.to_mm, content.cup.words)
    _verticals(axes, content, height)
    _left_over(axes, content, y + 0.5 * _ROW + 0.38)
    axes.set_yticks([])
    axes.set_xlabel(AXIS_WORDS)
    ink.plain_axes(axes)
    axes.spines["left"].set_visible(False)
    return made


def _extent(content: TrackContent, pole_mm: float) -> tuple[float, float]:
    first, last = content.extent_mm
    # room for the words behind the bars
    return first, max(last, pole_mm + 0.42 * (pole_mm - first))


def _density(axes: Any, content: TrackContent, first: float, last: float) -> None:
    axes.add_patch(Rectangle((first, 0), last - first, _STRIP, facecolor="#f1f3f5", edgecolor="none"))
    if len(content.density) > 1:
        depth, share = np.array(content.density).T
        axes.imshow(
            share[None],
            cmap="gray",
            vmin=0.0,
            vmax=1.0,
            extent=(depth[0], depth[-1], _STRIP, 0),
            aspect="auto",
            interpolation="bilinear",
            zorder=1,
        )
        height = _STRIP * (1 - np.clip(share, 0.02, 0.98))
        axes.plot(depth, height, color="#ffd24a", linewidth=1.6, zorder=3, path_effects=ink.halo(width=3.0))
    for piece in content.bone:
        axes.plot(
            [piece.from_mm, piece.to_mm],
            [_STRIP + 0.09] * 2,
            color=ink.BONE_ON_PAPER,
            linewidth=4,
            solid_capstyle="butt",
            zorder=3,
        )
    if content.bone:
        longest = max(content.bone, key=lambda piece: piece.to_mm - piece.from_mm)
        axes.text(
            longest.from_mm + 0.6,
            _STRIP + 0.17,
            longest.words,
            ha="left",
            va="top",
            fontsize=ink.SMALL_PT,
            color=ink.BONE_ON_PAPER,
        )
    _row_name(axes, 0.5 * _STRIP, f"density\n{DENSITY_WORDS}")


def _soft_fossa(axes: Any, content: TrackContent) -> None:
    soft = content.soft
    if soft is None:
        return
    axes.add_patch(
        Rectangle(
            (soft.from_mm, 0),
            soft.to_mm - soft.from_mm,
            _STRIP,
            facecolor="none",
            edgecolor=ink.NATIVE,
            hatch="////",
            linewidth=0,
            zorder=4,
        )
    )
    axes.text(
        soft.to_mm - 0.6,
        _STRIP + 0.17,
        soft.words,
        ha="right",
        va="top",
        color="#8a3a68",
        fontsize=ink.SMALL_PT,
        zorder=5,
    )


def _bar(axes: Any, y: float, start: float, end: float, color: str) -> None:
    axes.add_patch(
        Rectangle((start, y - 0.17), max(end - start, 0.05), 0.34, facecolor=color, edgecolor="none", zorder=3)
    )
    axes.plot([end, end], [y - 0.24, y + 0.24], color=ink.INK, linewidth=1.6, zorder=4)


def _row_name(axes: Any, y: float, words: str) -> None:
    axes.annotate(
        words,
        xy=(0, y),
        xycoords=("axes fraction", "data"),
        xytext=(-8, 0),
        textcoords="offset points",
        ha="right",
        va="center",
        fontsize=ink.FONT_PT,
        color=ink.INK,
        linespacing=1.25,
    )


def _words_beside(axes: Any, y: float, start: float, end: float, words: str) -> None:
    """Write before the bar where there is room, so that nothing crosses the inner surface; else behind it."""
    first, last = axes.get_xlim()
    before = start - first > _WORDS_SHARE * (last - first)
    axes.annotate(
        words,
        xy=(start if before else end, y),
        xytext=(-8 if before else 8, 0),
        textcoords="offset points",
        ha="right" if before else "left",
        va="center",
        fontsize=ink.SMALL_PT,
        color=ink.INK,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
        zorder=5,
    )


def _verticals(axes: Any, content: TrackContent, height: float) -> None:
    axes.plot([0, 0], [0, height], color=ink.NATIVE, linewidth=1.2, linestyle=(0, (4, 3)), zorder=2)
    axes.text(0.25, height - 0.1, "native rim", color="#8a3a68", fontsize=ink.SMALL_PT, va="bottom", ha="left")
    if content.inner is None or content.inner.within_mm is None:
        return
    inner, spread = content.inner.at_mm, content.inner.within_mm
    axes.add_patch(
        Rectangle(
            (inner - spread, 0), 2 * spread, height, facecolor=ink.WALL_ON_PAPER, alpha=0.25, edgecolor="none", zorder=2
        )
    )
    axes.plot([inner, inner], [0, height], color=ink.WALL_ON_PAPER, linewidth=1.8, zorder=4)
    axes.annotate(
        content.inner.words.replace(" at ", " at\n"),
        xy=(inner + spread, _STRIP + 0.17),
        xytext=(4, 0),
        textcoords="offset points",
        ha="left",
        va="top",
        fontsize=ink.SMALL_PT,
        color="#8f3d00",
        linespacing=1.2,
        zorder=5,
    )


def _left_over(axes: Any, content: TrackContent, y: float) -> None:
    left = content.left
    if content.breached:
        axes.text(
            left.from_mm,
            y,
            left.words,
            ha="center",
            va="center",
            fontweight="bold",
            color=ink.WALL_ON_PAPER,
            fontsize=ink.FONT_PT + 1,
        )
        return
    axes.annotate(
        "",
        xy=(left.to_mm, y),
        xytext=(left.from_mm, y),
        arrowprops={"arrowstyle": "<->", "color": ink.WALL_ON_PAPER, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
    )
    axes.annotate(
        left.words,
        xy=(left.from_mm, y),
        xytext=(-8, 0),
        textcoords="offset points",
        ha="right",
        va="center",
        fontsize=ink.FONT_PT + 2,
        fontweight="bold",
        color="#8f3d00",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.9},
        zorder=5,
    )
