"""The patient's sides written into the corners of an X-ray picture, from the directions that the picture itself has."""

from __future__ import annotations

from typing import Any

from cotyle.report import ink
from cotyle.xray.carm import CArm

USUAL = ("R", "L")
"""Letters at the left and the right edge of a picture in its usual view."""
_SIDEWAYS = 0.5


def side_letters(carm: CArm) -> tuple[str, str]:
    """Return the letters at the left and right edge of a picture: R and L, or A (front) and P (back) from the side.

    R and L stand as long as the columns run within 60 degrees of the patient's left or right.
    """
    left, posterior, _ = (float(x) for x in carm.column_direction_lps)
    if abs(left) >= _SIDEWAYS:
        return USUAL if left > 0 else USUAL[::-1]
    return ("A", "P") if posterior > 0 else ("P", "A")


def write_sides(axes: Any, letters: tuple[str, str] = USUAL, size_pt: float = 14.0) -> None:
    """Write the letters into the upper corners of a picture's axes."""
    style = {"color": "white", "path_effects": ink.halo(), "transform": axes.transAxes, "va": "top"}
    for x, letter, align in ((0.015, letters[0], "left"), (0.985, letters[1], "right")):
        axes.text(x, 0.98, letter, ha=align, fontsize=size_pt, fontweight="bold", **style)
