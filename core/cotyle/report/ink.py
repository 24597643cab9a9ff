"""Colours, type and paper that all figures share.

The colours tell each other apart for readers who see no red or green (palette: Okabe and Ito, Color Universal Design,
2008); shapes and words carry the same meaning, so that a black-and-white print loses nothing.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from matplotlib import patheffects
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

INK = "#1a1f24"
SOFT_INK = "#56606b"
RULE = "#c9ced4"
PAPER = "#ffffff"

CUP = "#56b4e9"
CUP_ON_PAPER = "#0072b2"
WALL = "#f0e442"
WALL_ON_PAPER = "#d55e00"
REAMER = "#e69f00"
FOUND = "#c79be6"
BONE_EDGE = "#2fd0a5"
BONE_ON_PAPER = "#009e73"
NATIVE = "#cc79a7"

CSS_PIXELS_PER_INCH = 96.0
SHARPNESS = 2.0
"""Picture pixels for each pixel of a page at 100 %."""

FONT_PT = 9.5
SMALL_PT = 8.5


def figure(width_px: float, height_px: float) -> Figure:
    """Return an empty figure of a size in page pixels, without any global plotting state."""
    made = Figure(
        figsize=(width_px / CSS_PIXELS_PER_INCH, height_px / CSS_PIXELS_PER_INCH),
        dpi=CSS_PIXELS_PER_INCH * SHARPNESS,
        facecolor=PAPER,
    )
    FigureCanvasAgg(made)
    return made


def png(made: Figure) -> bytes:
    """Return the figure as PNG without date or software in it; opaque, so that no typesetter takes it apart."""
    canvas: Any = FigureCanvasAgg(made)
    canvas.draw()
    buffer = io.BytesIO()
    picture = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    picture.save(buffer, "PNG", compress_level=3, dpi=(made.dpi, made.dpi))
    return buffer.getvalue()


def halo(color: str = "#000000", width: float = 2.2) -> list[Any]:
    """Return the effect that keeps light text readable on any grey."""
    return [patheffects.withStroke(linewidth=width, foreground=color, alpha=0.85)]


def plain_axes(axes: Any) -> None:
    """Take the frame down to what a reader needs."""
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    for name in ("left", "bottom"):
        axes.spines[name].set_color(SOFT_INK)
    axes.tick_params(labelsize=SMALL_PT, colors=INK, length=3)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_size(FONT_PT)
        label.set_color(INK)
