"""A shell laid flat: seen into its mouth, the pole in the middle, the way from it the angle from the pole."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.report import ink
from cotyle.report.cup_planes import CutPlane
from cotyle.space.arrays import Array


def on_paper(
    lines_lps: tuple[Array, Array], plane: CutPlane, from_pole_deg: npt.ArrayLike, around_deg: npt.ArrayLike
) -> Array:
    """Return picture coordinates (..., 2) of places on a shell.

    Parameters
    ----------
    lines_lps:
        Unit directions in the plane of the rim from which ``around_deg`` counts: of 0 and of 90 degrees.
    plane:
        The plane of the rim, seen from outside.
    """
    polar, around = np.broadcast_arrays(np.asarray(from_pole_deg, dtype=float), np.deg2rad(around_deg))
    across = np.cos(around)[..., None] * lines_lps[0] + np.sin(around)[..., None] * lines_lps[1]
    return np.asarray(polar[..., None] * np.stack([across @ plane.right_lps, across @ plane.up_lps], axis=-1))


def closed_grid(
    lines_lps: tuple[Array, Array],
    plane: CutPlane,
    from_pole_deg: npt.ArrayLike,
    around_deg: npt.ArrayLike,
    rows: tuple[tuple[float | None, ...], ...],
) -> tuple[Array, Array, Array]:
    """Return x, y and values of a map, its first column once more at 360 degrees; what is not known is NaN."""
    around = np.append(np.asarray(around_deg, dtype=float), 360.0)
    polar, turn = np.meshgrid(np.asarray(from_pole_deg, dtype=float), around, indexing="ij")
    xy = on_paper(lines_lps, plane, polar, turn)
    values = np.array([[np.nan if value is None else value for value in row] for row in rows], dtype=float)
    return xy[..., 0], xy[..., 1], np.concatenate([values, values[:, :1]], axis=1)


def frame_of_shell(axes: Any, plane: CutPlane, radius: float, letters_at: float, size_pt: float = 11.0) -> None:
    """Write the letters of the plane around a map of some radius and take the axes' own frame away."""
    for words, x, y in zip(plane.letters, (1, -1, 0, 0), (0, 0, 1, -1), strict=True):
        axes.text(
            letters_at * x,
            letters_at * y,
            words,
            ha="center",
            va="center",
            fontsize=size_pt,
            fontweight="bold",
            color=ink.SOFT_INK,
        )
    axes.set(xlim=(-radius, radius), ylim=(-radius, radius), aspect="equal")
    axes.axis("off")
