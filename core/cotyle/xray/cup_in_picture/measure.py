"""The cup measured in one picture: found, fitted, checked, and given with its deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.cup.component import Cup, checked_cup_diameter_mm
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.rotations import angle_between_deg
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.candidate import Candidate, candidate_of_clicks, candidate_of_fit
from cotyle.xray.cup_in_picture.circle_poses import circles_behind, faces_source, twin_of
from cotyle.xray.cup_in_picture.doubts import (
    doubt_of_depth,
    doubts_of_clicks,
    doubts_of_fit,
    doubts_of_place,
    why_not_found,
)
from cotyle.xray.cup_in_picture.outline_support import Support, outline_support
from cotyle.xray.cup_in_picture.patch import Patch, cut_out
from cotyle.xray.cup_in_picture.rim_ellipse import RimEllipse, fit_rim_ellipse
from cotyle.xray.cup_in_picture.shell_fit import ShellFit, fit_shell
from cotyle.xray.cup_in_picture.shell_picture import first_state
from cotyle.xray.cup_in_picture.silhouette_search import search, turned_about_plan
from cotyle.xray.cup_in_picture.twin_choice import SURE, TwinChoice, choose, outline_shift_mm
from cotyle.xray.ellipse import Ellipse, project_circle, to_pixels
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.verdict import Verdict

PIXEL_MM = 0.32
"""Pixels are put together until they are about this wide at the cup."""

REACH_MM = 25.0
"""How far from the plan the cup is looked for, in the picture's plane."""

_MARGIN_MM = 8.0
_ROUGH_PIXEL_MM, _ROUGH_STEPS, _SEARCH_STEP_MM = 0.8, 12, 1.5
_IN_PICTURE_DEG = tuple(range(-20, 21, 5))
_TOWARD_DEG = tuple(range(-24, 25, 8))
_STARTS = 4
_SOLID_WALL = 0.7
# where both answers come as near as this, opening the mouth either way changes the picture alike: a fit can rest there
# without being the best
_EDGE_ON_DEG = 10.0

# loss is a logarithm of a likelihood only as far as the model is the truth: this share of it is believed
_LOSS_BELIEVED = 0.05


@dataclass(frozen=True, eq=False)
class CupInPicture:
    """A cup, or a reamer, found in a picture (or in several, see :mod:`~cotyle.xray.cup_in_picture.several_views`).

    Parameters
    ----------
    verdict:
        ``failed`` leaves everything but ``notes`` and ``support`` empty.
    support:
        Part of the outline where the picture shows the edge that the model expects, 0 to 1.
    notes:
        What was taken on trust or looks odd, each a sentence for the surgeon.
    taken, other:
        The circle that was taken and the other one with the same picture.
    ellipse_px:
        Picture of the rim, in pixels (of the first picture).
    residual_px:
        Root mean square distance of the edges found to the model's outline, in pixels; NaN by clicked points alone.
    twin_choice:
        Which of the two circles was taken and how sure that is.
    """

    verdict: Verdict
    support: float
    notes: tuple[str, ...]
    taken: Candidate | None = None
    other: Candidate | None = None
    ellipse_px: Ellipse | None = None
    residual_px: float = float("nan")
    twin_choice: TwinChoice | None = None

    @property
    def rim(self) -> Circle | None:
        """Outer rim that was taken; its normal is the opening axis."""
        return None if self.taken is None else self.taken.rim

    @property
    def other_rim(self) -> Circle | None:
        """The rim that was not taken."""
        return None if self.other is None else self.other.rim

    @property
    def covariance(self) -> Array | None:
        """Of centre (LPS mm) and opening axis (LPS), with what the pose adds, shape (6, 6); the axis has rank two."""
        return None if self.taken is None else self.taken.covariance


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
        Points on the rim, (column, row), 5 or more, shape (n, 2); the fit then starts from them.
    pose_covariance:
        Of the C-arm against the bone: turns about the LPS axes (rad), then shift (mm), about ``pose_pivot_lps_mm``,
        shape (6, 6). Without it the pose is taken as exact: deviations are those of the picture alone.
    pose_pivot_lps_mm:
        The planned centre by default.

    Raises
    ------
    InputError
        ``cup-size``, ``picture-pose``, ``cup-outside``, ``pose-covariance``; those of
        :func:`~cotyle.xray.cup_in_picture.rim_ellipse.fit_rim_ellipse`.
    """
    radius = checked_cup_diameter_mm(cup_diameter_mm) / 2.0
    expected = Circle(planned.center_lps_mm, planned.opening_axis_lps, radius)
    clicked = None if clicked_px is None else fit_rim_ellipse(clicked_px)
    patch, straight, bent = _fitted(radiograph, carm, expected, planned.shell_thickness_mm, clicked)
    # straight is a case of bent: a bend that explains less stopped short of the best
    fit = bent if bent.loss < straight.loss else straight
    support = outline_support(patch, fit)
    other = twin_of(carm, fit.state.rim)
    off_plan = [angle_between_deg(rim.normal_lps, planned.opening_axis_lps) for rim in (fit.state.rim, other)]
    why_not = why_not_found(fit, support, min(off_plan))
    pivot = planned.center_lps_mm if pose_pivot_lps_mm is None else pose_pivot_lps_mm
    if not why_not:
        twin = _twin(patch, straight)
        odds = _odds_by_outline(straight, twin)
        pair = candidate_of_fit(carm, straight, support.residual_mm), candidate_of_fit(carm, twin, support.residual_mm)
        if fit is bent:
            pair = _between(carm, pair, bent, fit_shell(patch, bent.state.with_rim(other), patch.usable), support)
        notes = doubts_of_fit(fit, support)
        residual = support.residual_mm * carm.magnification(fit.state.rim.center_lps_mm) / carm.pixel_pitch_mm[0]
    elif clicked is not None and not clicked.doubts:
        pair, odds, residual = candidate_of_clicks(carm, clicked, expected), 0.0, float("nan")
        notes = [f"by the clicked points alone: {why_not}"]
    else:
        return CupInPicture(Verdict.FAILED, support.share, (why_not,))
    if pose_covariance is not None:
        pair = pair[0].with_pose(pose_covariance, pivot), pair[1].with_pose(pose_covariance, pivot)
    return _chosen(carm, pair, odds, planned, clicked, support.share, residual, notes)


def _fitted(
    radiograph: Radiograph, carm: CArm, expected: Circle, wall_mm: float, clicked: RimEllipse | None
) -> tuple[Patch, ShellFit, ShellFit]:
    """Return the patch and the best fits on it, coarse to fine: with the grey's bend held straight, and let go."""
    if clicked is None:
        wide = _patch(radiograph, carm, expected, expected.radius_mm + REACH_MM + 4.0, _ROUGH_PIXEL_MM)
        rims = turned_about_plan(carm, expected, _IN_PICTURE_DEG, _TOWARD_DEG)
        starts = [found.rim for found in search(wide, rims, REACH_MM, _SEARCH_STEP_MM, _STARTS)]
    else:
        ellipse_mm = clicked.ellipse_px.scaled(_square_pitch_mm(carm))
        starts = list(circles_behind(carm, ellipse_mm, expected.radius_mm, expected.normal_lps))
    half_mm = expected.radius_mm + _MARGIN_MM
    rough = [_rough_fit(radiograph, carm, start, half_mm, wall_mm) for start in starts]
    best = min(rough, key=_loss_by_pixel)
    if angle_between_deg(best[1].state.rim.normal_lps, twin_of(carm, best[1].state.rim).normal_lps) < _EDGE_ON_DEG:
        off = turned_about_plan(carm, best[1].state.rim, (0.0,), (-_EDGE_ON_DEG, _EDGE_ON_DEG))
        best = min([best, *(_rough_fit(radiograph, carm, each, half_mm, wall_mm) for each in off)], key=_loss_by_pixel)
    rim = best[1].state.rim
    patch = _patch(radiograph, carm, rim, half_mm, PIXEL_MM)
    # a reamer may be solid
    walls = (wall_mm, _SOLID_WALL * expected.radius_mm)
    fine = [fit_shell(patch, first_state(patch, rim, wall), patch.usable, straight=True) for wall in walls]
    straight, wall = min(zip(fine, walls, strict=True), key=lambda pair: pair[0].loss)
    return patch, straight, fit_shell(patch, first_state(patch, straight.state.rim, wall), patch.usable)


def _twin(patch: Patch, straight: ShellFit) -> ShellFit:
    """Return the other circle with the same picture, fitted with the grey's bend held straight."""
    other = straight.state.with_rim(twin_of(patch.carm, straight.state.rim))
    return fit_shell(patch, other, patch.usable, straight=True)


def _between(
    carm: CArm, pair: tuple[Candidate, Candidate], bent: ShellFit, bent_twin: ShellFit, support: Support
) -> tuple[Candidate, Candidate]:
    """Return both circles half-way between a straight grey and a bent one, with half the way as a deviation.

    Neither display is known to be the true one, and a bend can take up what the bone beside the rim does.
    """
    first, second = (candidate_of_fit(carm, each, support.residual_mm) for each in (bent, bent_twin))
    if angle_between_deg(first.rim.normal_lps, pair[0].rim.normal_lps) > angle_between_deg(
        first.rim.normal_lps, pair[1].rim.normal_lps
    ):
        first, second = second, first
    return pair[0].half_way_to(first), pair[1].half_way_to(second)


def _odds_by_outline(fit: ShellFit, twin: ShellFit) -> float:
    """Return the logarithm of the odds that the picture gives for a fit against its twin.

    Both with the grey's bend held: let go, it makes up for what the dome's outline would tell.
    """
    # a bad fit of one is what speaks for the other: the better one's noise is the scale
    return (twin.loss - fit.loss) / min(fit.inflation, twin.inflation) * _LOSS_BELIEVED


def _rough_fit(
    radiograph: Radiograph, carm: CArm, rim: Circle, half_mm: float, wall_mm: float
) -> tuple[Patch, ShellFit]:
    patch = _patch(radiograph, carm, rim, half_mm, _ROUGH_PIXEL_MM)
    return patch, fit_shell(patch, first_state(patch, rim, wall_mm), patch.usable, _ROUGH_STEPS, straight=True)


def _loss_by_pixel(pair: tuple[Patch, ShellFit]) -> float:
    # patches differ in what they hold
    patch, fit = pair
    return fit.loss / float(patch.usable.sum())


def _patch(radiograph: Radiograph, carm: CArm, rim: Circle, half_mm: float, pixel_mm: float) -> Patch:
    per_mm = carm.magnification(rim.center_lps_mm) / carm.pixel_pitch_mm[0]
    bin_px = max(round(pixel_mm * per_mm), 1)
    return cut_out(radiograph, carm, carm.project(rim.center_lps_mm), half_mm * per_mm, bin_px)


def _square_pitch_mm(carm: CArm) -> float:
    column_mm, row_mm = carm.pixel_pitch_mm
    if abs(column_mm - row_mm) > 1e-6 * column_mm:
        raise InputError("pixels-not-square", f"pixels of {column_mm} x {row_mm} mm distort an ellipse")
    return column_mm


def _chosen(
    carm: CArm,
    pair: tuple[Candidate, Candidate],
    odds: float,
    planned: Cup,
    clicked: RimEllipse | None,
    support: float,
    residual_px: float,
    notes: list[str],
) -> CupInPicture:
    axes = pair[0].rim.normal_lps, pair[1].rim.normal_lps
    depth_doubt = doubt_of_depth(carm, pair[0], planned)
    # the wrong size or distance moves dome against rim too, so that the outline can't be asked
    index, choice = choose(axes, planned.opening_axis_lps, 0.0 if depth_doubt else odds, _shift_mm(carm, pair[0].rim))
    taken, other = pair[index], pair[1 - index]
    if choice.probability < SURE:
        taken = taken.holding(other, 1.0 - choice.probability)
    ellipse = to_pixels(project_circle(carm, taken.rim), carm)
    doubts = [*notes, *depth_doubt, *doubts_of_place(carm, taken, planned)]
    if clicked is not None:
        doubts += [*clicked.doubts, *doubts_of_clicks(ellipse, clicked)]
    verdict = Verdict.DOUBTFUL if doubts or not choice.sure else Verdict.CONVERGED
    return CupInPicture(verdict, support, (choice.text, *doubts), taken, other, ellipse, residual_px, choice)


def _shift_mm(carm: CArm, rim: Circle) -> float:
    to_view = float(np.rad2deg(np.arcsin(np.clip(faces_source(carm, rim), -1.0, 1.0))))
    return abs(outline_shift_mm(rim.radius_mm, to_view, float(carm.depth_mm(rim.center_lps_mm))))
