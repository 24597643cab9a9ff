"""One cup in several pictures: the circles that agree are the cup, and the depth of one is the width of another.

The cup is taken as not having moved against the bone between the pictures, and the errors of the poses as independent
of each other; where the pictures don't agree within their deviations, that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from cotyle.cup.component import Cup
from cotyle.errors import InputError
from cotyle.space.arrays import Array, any_perpendicular, read_only, unit
from cotyle.space.rotations import angle_between_deg
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.candidate import Candidate
from cotyle.xray.cup_in_picture.measure import CupInPicture, measure_cup
from cotyle.xray.cup_in_picture.twin_choice import ChosenBy, TwinChoice
from cotyle.xray.ellipse import project_circle, to_pixels
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.verdict import Verdict

_DISAGREE = 0.001


@dataclass(frozen=True, eq=False)
class PlacedPicture:
    """A picture, where it was taken from, how sure that is, and what else ``measure_cup`` takes."""

    radiograph: Radiograph
    carm: CArm
    pose_covariance: npt.ArrayLike | None = None
    clicked_px: npt.ArrayLike | None = None
    pose_verdict: Verdict = Verdict.CONVERGED


def measure_cup_in_views(
    pictures: Sequence[PlacedPicture],
    cup_diameter_mm: float,
    planned: Cup,
    pose_pivot_lps_mm: npt.ArrayLike | None = None,
) -> CupInPicture:
    """Return the cup that all pictures show; with one picture the same as ``measure_cup``.

    Pictures without a pose and those in which the cup is not found are left out, and said. A cup is seen against the
    C-arm: where a pose is doubtful, so is the cup.

    Raises
    ------
    InputError
        ``no-picture``; otherwise as ``measure_cup``.
    """
    if not pictures:
        raise InputError("no-picture", "no picture was given to find the cup in")
    posed = [each for each in pictures if each.pose_verdict is not Verdict.FAILED]
    if not posed:
        return CupInPicture(Verdict.FAILED, 0.0, ("without a pose of the C-arm no cup is measured",))
    singles = [
        measure_cup(
            each.radiograph,
            each.carm,
            cup_diameter_mm,
            planned,
            each.clicked_px,
            each.pose_covariance,
            pose_pivot_lps_mm,
        )
        for each in posed
    ]
    found = [(single, each) for single, each in zip(singles, posed, strict=True) if single.taken is not None]
    if not found:
        return singles[0]
    notes = _left_out(len(pictures), len(posed), len(found))
    doubtful = sum(each.pose_verdict is Verdict.DOUBTFUL for _, each in found)
    if doubtful:
        where = "" if len(found) == 1 else f" of {doubtful} of {len(found)} pictures"
        notes = (*notes, f"the C-arm's pose{where} is doubtful, and so is the cup")
    if len(found) > 1:
        return _joined([(single, each.carm) for single, each in found], planned, notes)
    single = found[0][0]
    return replace(single, verdict=Verdict.DOUBTFUL, notes=(*single.notes, *notes)) if notes else single


def _left_out(given: int, posed: int, found: int) -> tuple[str, ...]:
    notes = []
    if posed < given:
        notes.append(f"{given - posed} of {given} pictures have no pose of the C-arm")
    if found < posed:
        notes.append(f"the cup was not found in {posed - found} of {posed} pictures")
    return tuple(notes)


def _joined(found: Sequence[tuple[CupInPicture, CArm]], planned: Cup, notes: tuple[str, ...]) -> CupInPicture:
    pairs = [(single.taken, single.other) for single, _ in found]
    odds = [0.0 if single.twin_choice is None else single.twin_choice.outline_log_odds for single, _ in found]
    trials = []
    for picks in product((0, 1), repeat=len(found)):
        candidates = [pair[pick] for pair, pick in zip(pairs, picks, strict=True)]
        joined, misfit = join([each for each in candidates if each is not None])
        against = sum(odd for odd, pick in zip(odds, picks, strict=True) if pick == 1)
        trials.append((0.5 * misfit + against, misfit, joined))
    trials.sort(key=lambda trial: trial[0])
    (first, misfit, taken), (second, _, other) = trials[:2]
    probability = float(1.0 / (1.0 + np.exp(-min(second - first, 50.0))))
    off_plan = [angle_between_deg(each.rim.normal_lps, planned.opening_axis_lps) for each in (taken, other)]
    apart = angle_between_deg(taken.rim.normal_lps, other.rim.normal_lps)
    text = f"taken because {len(found)} pictures agree on it; the next answer lies {apart:.0f} deg away"
    choice = TwinChoice(ChosenBy.SECOND_VIEW, probability, -sum(odds), apart, off_plan[0], off_plan[1], text)
    if not choice.sure and apart < 2.0 * taken.axis_deviation_deg:
        choice = replace(choice, chosen_by=ChosenBy.NOTHING, text=f"both answers lie within {apart:.1f} deg")
    doubts = [*notes, *(note for single, _ in found for note in single.notes[1:])]
    if float(chi2.sf(misfit, 5 * (len(found) - 1))) < _DISAGREE:
        doubts.append("the pictures disagree: the cup or the pelvis moved between them, or a pose is wrong")
    if not choice.sure:
        doubts.append("the pictures are taken from too near to each other to tell the two answers apart")
    single, carm = found[0]
    return CupInPicture(
        Verdict.DOUBTFUL if doubts else Verdict.CONVERGED,
        min(each.support for each, _ in found),
        (choice.text, *doubts),
        taken,
        other,
        to_pixels(project_circle(carm, taken.rim), carm),
        single.residual_px,
        choice,
    )


def join(candidates: Sequence[Candidate]) -> tuple[Candidate, float]:
    """Return the circle of least squares to several, and the sum of squares in units of their covariances.

    Each is weighted by the inverse of its covariance; the sum follows chi squared with 5 (n - 1) degrees of freedom.
    """
    reference = candidates[0].rim
    axis = unit(np.sum([each.rim.normal_lps for each in candidates], axis=0))
    first = any_perpendicular(axis)
    across = np.stack([first, np.cross(axis, first)])
    to_five = np.zeros((5, 6))
    to_five[:3, :3], to_five[3:, 3:] = np.eye(3), across
    values, weights, picture_weights = [], [], []
    for each in candidates:
        values.append(
            np.concatenate([each.rim.center_lps_mm - reference.center_lps_mm, across @ (each.rim.normal_lps - axis)])
        )
        weights.append(np.linalg.inv(to_five @ each.covariance @ to_five.T))
        picture_weights.append(np.linalg.inv(to_five @ each.picture_covariance @ to_five.T))
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    mean = covariance @ np.sum([weight @ value for weight, value in zip(weights, values, strict=True)], axis=0)
    misfit = sum(float((v - mean) @ w @ (v - mean)) for v, w in zip(values, weights, strict=True))
    rim = Circle(reference.center_lps_mm + mean[:3], unit(axis + mean[3:] @ across), reference.radius_mm)
    picture = np.linalg.inv(np.sum(picture_weights, axis=0))
    return Candidate(rim, _six(covariance, to_five), _six(picture, to_five)), misfit


def _six(covariance: Array, to_five: Array) -> Array:
    return read_only(to_five.T @ covariance @ to_five)
