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

_DENSITY_HU = (-100.0, 1300.0)
_STRIP, _ROW = 1.0, 0.62
_WORDS_SHARE = 0.31
"""Share of the width that the words beside a reamer need."""


def depth_track_figure(track: DepthTrack, cup_diameter_mm: float, width_px: float = 960) -> Figure:
    """Draw the track of a plan across the full width."""
    rows = len(track.bars) + 1
    height = _STRIP + 0.45 + rows * _ROW + 0.9
    made = ink.figure(width_px, 62 + 46 * height)
    axes = made.add_axes((0.14, 0.155, 0.85, 0.83))
    first, last = _extent(track)
    axes.set_xlim(first, last)
    axes.set_ylim(height, 0)
    _density(axes, track, first, last)
    _names_above(axes, track)
    for row, bar in enumerate(track.bars):
        y = _STRIP + 0.45 + (row + 0.5) * _ROW
        _bar(axes, y, bar.from_mm, bar.to_mm, ink.REAMER)
        _row_name(axes, y, f"{bar.diameter_mm:g} mm reamer")
        words = f"stops at {bar.to_mm:.1f}, {bar.to_mm - bar.from_mm:.1f} mm after first touch"
        _words_beside(axes, y, bar.from_mm, bar.to_mm, words)
    y = _STRIP + 0.45 + (len(track.bars) + 0.5) * _ROW
    _bar(axes, y, max(first, track.center_mm), track.seat_mm, ink.CUP_ON_PAPER)
    _row_name(axes, y, f"{cup_diameter_mm:g} mm cup")
    _words_beside(axes, y, first, track.seat_mm, f"seat at {track.seat_mm:.1f} mm")
    _verticals(axes, track, height)
    _left_over(axes, track, y + 0.5 * _ROW + 0.38)
    axes.set_yticks([])
    axes.set_xlabel("depth along the reaming axis, mm from the plane of the native rim; lateral left, medial right")
    ink.plain_axes(axes)
    axes.spines["left"].set_visible(False)
    return made


def _extent(track: DepthTrack) -> tuple[float, float]:
    leave = track.inner_surface_mm if track.inner_surface_mm is not None else track.pole_mm
    first = min(-2.0, *(bar.from_mm for bar in track.bars)) - 1.0
    last = max(leave, track.pole_mm) + 9.0
    # room for the words behind the bars
    return first, max(last, track.pole_mm + 0.42 * (track.pole_mm - first))


def _density(axes: Any, track: DepthTrack, first: float, last: float) -> None:
    axes.add_patch(Rectangle((first, 0), last - first, _STRIP, facecolor="#f1f3f5", edgecolor="none"))
    low, high = _DENSITY_HU
    known = np.isfinite(track.density_hu)
    depth, density = track.depth_mm[known], track.density_hu[known]
    if len(depth) > 1:
        axes.imshow(
            density[None],
            cmap="gray",
            vmin=low,
            vmax=high,
            extent=(depth[0], depth[-1], _STRIP, 0),
            aspect="auto",
            interpolation="bilinear",
            zorder=1,
        )
        height = _STRIP * (1 - np.clip((density - low) / (high - low), 0.02, 0.98))
        axes.plot(depth, height, color="#ffd24a", linewidth=1.6, zorder=3, path_effects=ink.halo(width=3.0))
    for start, end in track.bone_mm:
        axes.plot(
            [start, end], [_STRIP + 0.09] * 2, color=ink.BONE_ON_PAPER, linewidth=4, solid_capstyle="butt", zorder=3
        )
    if len(track.bone_mm):
        start, end = max(track.bone_mm, key=lambda piece: piece[1] - piece[0])
        axes.text(
            start + 0.6,
            _STRIP + 0.17,
            "bone before reaming",
            ha="left",
            va="top",
            fontsize=ink.SMALL_PT,
            color=ink.BONE_ON_PAPER,
        )
    _row_name(axes, 0.5 * _STRIP, f"density\n−{-low:.0f} to {high:.0f} HU")


def _names_above(axes: Any, track: DepthTrack) -> None:
    if track.floor_mm is not None and track.floor_mm - track.pole_mm > 0.3:
        axes.add_patch(
            Rectangle(
                (track.pole_mm, 0),
                track.floor_mm - track.pole_mm,
                _STRIP,
                facecolor="none",
                edgecolor=ink.NATIVE,
                hatch="////",
                linewidth=0,
                zorder=4,
            )
        )
        axes.text(
            track.floor_mm - 0.6,
            _STRIP + 0.17,
            f"{track.floor_mm - track.pole_mm:.1f} mm of soft fossa",
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


def _verticals(axes: Any, track: DepthTrack, height: float) -> None:
    axes.plot([0, 0], [0, height], color=ink.NATIVE, linewidth=1.2, linestyle=(0, (4, 3)), zorder=2)
    axes.text(0.25, height - 0.1, "native rim", color="#8a3a68", fontsize=ink.SMALL_PT, va="bottom", ha="left")
    if track.inner_surface_mm is None:
        return
    inner, spread = track.inner_surface_mm, 2 * track.inner_uncertainty_mm
    axes.add_patch(
        Rectangle(
            (inner - spread, 0), 2 * spread, height, facecolor=ink.WALL_ON_PAPER, alpha=0.25, edgecolor="none", zorder=2
        )
    )
    axes.plot([inner, inner], [0, height], color=ink.WALL_ON_PAPER, linewidth=1.8, zorder=4)
    axes.annotate(
        f"inner surface at\n{inner:.1f} ± {spread:.1f} mm",
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


def _left_over(axes: Any, track: DepthTrack, y: float) -> None:
    if track.inner_surface_mm is None or track.floor_mm is None:
        axes.text(
            track.pole_mm,
            y,
            "BREACHED: no bone is left behind the pole",
            ha="center",
            va="center",
            fontweight="bold",
            color=ink.WALL_ON_PAPER,
            fontsize=ink.FONT_PT + 1,
        )
        return
    start = max(track.floor_mm, track.pole_mm)
    left = track.inner_surface_mm - start
    axes.annotate(
        "",
        xy=(track.inner_surface_mm, y),
        xytext=(start, y),
        arrowprops={"arrowstyle": "<->", "color": ink.WALL_ON_PAPER, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
    )
    axes.annotate(
        f"{left:.1f} mm of bone left",
        xy=(start, y),
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
