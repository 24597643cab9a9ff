"""The cup measured in one picture: found, fitted, checked, and given with its deviations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.component import Cup
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, as_vector, read_only, unit
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.circle_poses import circles_behind, twin_of
from cotyle.xray.cup_in_picture.outline_support import Support, outline_support
from cotyle.xray.cup_in_picture.patch import Patch, cut_out
from cotyle.xray.cup_in_picture.rim_ellipse import RimEllipse, fit_rim_ellipse
from cotyle.xray.cup_in_picture.shell_fit import ShellFit, fit_shell
from cotyle.xray.cup_in_picture.shell_picture import TITANIUM_PER_MM, ShellState, metal, softness_for
from cotyle.xray.cup_in_picture.silhouette_search import search, turned_about_plan
from cotyle.xray.cup_in_picture.twin_choice import TwinChoice, choose
from cotyle.xray.ellipse import Ellipse, project_circle, to_pixels
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.verdict import Verdict

PIXEL_MM = 0.32
"""Pixels are put together until they are about this wide at the cup."""

REACH_MM = 25.0
"""How far from the plan the cup is looked for, in the picture's plane."""

_MARGIN_MM = 8.0
# deviations that no residual shows: what a common error of all edges by 0.05 mm does to centre and axis
_EDGE_MM = 0.05
_ROUGH_PIXEL_MM = 0.8
_IN_PICTURE_DEG = tuple(np.arange(-20.0, 21.0, 5.0))
_TOWARD_DEG = tuple(np.arange(-24.0, 25.0, 8.0))
_STARTS = 4
_LEAST_SUPPORT, _GOOD_SUPPORT = 0.35, 0.6
_FAR_FROM_PLAN_MM, _FAR_FROM_PLAN_DEG = 15.0, 25.0


@dataclass(frozen=True, eq=False)
class CupInPicture:
    """A cup, or a reamer, found in one picture or several.

    Parameters
    ----------
    verdict:
        ``failed`` leaves everything but ``notes`` and ``support`` empty.
    rim:
        Outer rim; its normal is the opening axis.
    other_rim:
        The other circle with the same picture, which was not taken.
    ellipse_px:
        Picture of the rim, in pixels (of the first picture).
    covariance:
        Of the centre (LPS mm) and the opening axis (LPS, no unit, at right angles to it), shape (6, 6), with what the
        pose of the C-arm adds.
    picture_covariance:
        The same without what the pose adds.
    residual_px:
        Root mean square distance of the edges found to the model's outline, in pixels.
    support:
        Part of the outline where the picture shows the edge that the model expects, 0 to 1.
    twin_choice:
        Which of the two circles was taken and how sure that is.
    notes:
        What was taken on trust or looks odd, each a sentence for the surgeon.
    """

    verdict: Verdict
    support: float
    notes: tuple[str, ...]
    rim: Circle | None = None
    other_rim: Circle | None = None
    ellipse_px: Ellipse | None = None
    covariance: Array | None = None
    picture_covariance: Array | None = None
    residual_px: float = float("nan")
    twin_choice: TwinChoice | None = None


def measure_cup(
    radiograph: Radiograph,
    carm: CArm,
    cup_diameter_mm: float,
    planned: Cup,
    clicked_px: npt.ArrayLike | None = None,
    pose_covariance: npt.ArrayLike | None = None,
    pose_pivot_lps_mm: npt.ArrayLike | None = None,
) -> CupInPicture:
    """Return the cup in a picture.

    Parameters
    ----------
    radiograph, carm:
        The picture and where it was taken from, in the space of the plan.
    cup_diameter_mm:
        Outer diameter of the cup that was put in, or of the reamer.
    planned:
        The planned cup: where the search starts, and what settles the choice between the two circles if the picture
        can't.
    clicked_px:
        Points on the rim, (column, row), 5 or more, shape (n, 2); the search then starts from them.
    pose_covariance:
        Of the C-arm against the bone: turns about the LPS axes (rad), then shift (mm), about ``pose_pivot_lps_mm``,
        shape (6, 6).
    pose_pivot_lps_mm:
        The planned centre by default.
    """
    radius = cup_diameter_mm / 2.0
    rim = Circle(planned.center_lps_mm, planned.opening_axis_lps, radius)
    clicked = None if clicked_px is None else fit_rim_ellipse(clicked_px)
    starts = _starts(radiograph, carm, rim, clicked)
    patch = _patch(radiograph, carm, starts[0].center_lps_mm, radius + _MARGIN_MM, _ROUGH_PIXEL_MM)
    rough = [_fitted(patch, start, planned.shell_thickness_mm, 12) for start in starts]
    best = min(rough, key=lambda fit: fit.loss)
    patch = _patch(radiograph, carm, best.state.rim.center_lps_mm, radius + _MARGIN_MM, PIXEL_MM)
    fit = fit_shell(patch, best.state, patch.usable)
    twin = fit_shell(patch, fit.state.with_rim(twin_of(carm, fit.state.rim)), patch.usable)
    return fit, twin, patch


def _starts(radiograph, carm, rim, clicked):
    if clicked is not None:
        ellipse = clicked.ellipse_px.scaled(carm.pixel_pitch_mm[0])
        return list(circles_behind(carm, ellipse, rim.radius_mm, rim.normal_lps))
    patch = _patch(radiograph, carm, rim.center_lps_mm, rim.radius_mm + REACH_MM + 4.0, _ROUGH_PIXEL_MM)
    rims = turned_about_plan(carm, rim, _IN_PICTURE_DEG, _TOWARD_DEG)
    return [found.rim for found in search(patch, rims, REACH_MM, 1.5, _STARTS)]


def _patch(radiograph, carm, center, half_mm, pixel_mm):
    per_mm = carm.magnification(center) / carm.pixel_pitch_mm[0]
    return cut_out(radiograph, carm, carm.project(center), half_mm * per_mm, max(int(round(pixel_mm * per_mm)), 1))


def _fitted(patch, rim, thickness, most_steps):
    start = ShellState(rim, thickness, 1.0, 1.0, 1.0)
    under = metal(patch, start) > TITANIUM_PER_MM
    level = float(np.median(patch.attenuation[patch.usable & ~under]))
    black = float(np.quantile(patch.attenuation[patch.usable & under], 0.95))
    span = max(black - level, 1e-6)
    black = black + 0.05 * span
    state = ShellState(rim, thickness, span / (10 * TITANIUM_PER_MM), black, softness_for(level, black))
    return fit_shell(patch, state, patch.usable, most_steps)
