"""Small copies of many pictures on one sheet, to look at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from cotyle.files import atomic_path
from matplotlib.figure import Figure

from tests.validation.theatre.picture import TheatrePicture


def write_sheet(pictures: Sequence[TheatrePicture], path: Path, across: int = 5, pixels: int = 256) -> None:
    """Write a PNG of all pictures as shown on the screen; the hip of the named side is marked by a small cross."""
    rows = -(-len(pictures) // across)
    figure = Figure(figsize=(across * 2.6, rows * 2.9), dpi=100)
    axes = np.atleast_1d(figure.subplots(rows, across)).ravel()
    for axis in axes:
        axis.set_axis_off()
    for axis, picture in zip(axes, pictures, strict=False):
        factor = max(picture.true_carm.size[0] // pixels, 1)
        small = picture.scaled_down(factor)
        axis.imshow(small.grey, cmap="gray", vmin=0, vmax=2**picture.contents.screen.bits - 1)
        axis.set_autoscale_on(False)
        axis.plot(*small.true_carm.project(picture.hip_lps_mm), "+", color="tab:orange", markersize=5)
        axis.set_title(f"{picture.name}\n{picture.contents.tool}", fontsize=6)
    figure.tight_layout(pad=0.3)
    with atomic_path(path) as temporary:
        figure.savefig(temporary)
