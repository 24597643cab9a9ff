"""What speaks against a cup found in a picture, in sentences, and when there is none."""

from __future__ import annotations

import numpy as np

from cotyle.cup.component import Cup
from cotyle.space.arrays import unit
from cotyle.space.rotations import angle_between_deg
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.candidate import Candidate
from cotyle.xray.cup_in_picture.outline_support import Support
from cotyle.xray.cup_in_picture.rim_ellipse import RimEllipse
from cotyle.xray.cup_in_picture.shell_fit import ShellFit
from cotyle.xray.ellipse import Ellipse

# limits of the verdict (our choice, from trials on simulated pictures; see docs/methods/cup_in_picture.md)
_LEAST_SUPPORT, _GOOD_SUPPORT = 0.4, 0.65
_MOST_RESIDUAL_MM, _GOOD_RESIDUAL_MM = 0.22, 0.16
_LEAST_STEP = 3.5
_OUTSIDE = 0.25
_NO_CUP_DEG = 45.0
_FAR_FROM_PLAN_MM, _FAR_FROM_PLAN_DEG, _DEPTH_OFF_PLAN_MM = 15.0, 25.0, 12.0


def why_not_found(fit: ShellFit, support: Support, nearest_to_plan_deg: float) -> str:
    """Return why the fit is no cup, or nothing; the angle is that of the likelier of the two axes to the plan."""
    if not np.isfinite(fit.loss):
        return "the cup's outline could not be fitted"
    if support.share < _LEAST_SUPPORT:
        return f"only {support.share:.0%} of the cup's outline shows in the picture"
    if support.step_in_noise < _LEAST_STEP:
        return "nothing as dense as metal lies where the cup was looked for"
    if support.residual_mm > _MOST_RESIDUAL_MM:
        return f"what shows where the cup was looked for fits its outline to {support.residual_mm:.2f} mm only"
    if nearest_to_plan_deg > _NO_CUP_DEG:
        return f"what shows where the cup was looked for is turned {nearest_to_plan_deg:.0f} deg against the plan"
    return ""


def doubts_of_fit(fit: ShellFit, support: Support) -> list[str]:
    """Return what is odd about a fit."""
    notes = []
    if support.share < _GOOD_SUPPORT:
        notes.append(f"{support.share:.0%} of the cup's outline is borne out by the picture")
    if support.residual_mm > _GOOD_RESIDUAL_MM:
        notes.append(f"the outline fits to {support.residual_mm:.2f} mm only: is it a hemisphere of this diameter?")
    outside = 1.0 - float(support.seen.mean())
    if outside > _OUTSIDE:
        notes.append(f"{outside:.0%} of the cup's outline lies outside the picture's field")
    if not fit.settled:
        notes.append("the fit had not come to rest")
    return notes


def doubt_of_depth(carm: CArm, found: Candidate, planned: Cup) -> list[str]:
    """Return a doubt if the cup lies so much nearer or farther than planned that its size must be wrong."""
    ray = unit(planned.center_lps_mm - carm.source_lps_mm)
    depth = float((found.rim.center_lps_mm - planned.center_lps_mm) @ ray)
    deviation = float(np.sqrt(ray @ found.covariance[:3, :3] @ ray))
    if abs(depth) <= _DEPTH_OFF_PLAN_MM + 2.0 * deviation:
        return []
    share = -depth / float(carm.depth_mm(planned.center_lps_mm))
    word = "larger" if share > 0 else "smaller"
    return [f"the cup shows {abs(share):.0%} {word} than its diameter should: check diameter and distances"]


def doubts_of_place(carm: CArm, taken: Candidate, planned: Cup) -> list[str]:
    """Return doubts of a cup far from its plan, in the picture or in direction."""
    notes = []
    way = taken.rim.center_lps_mm - planned.center_lps_mm
    ray = unit(planned.center_lps_mm - carm.source_lps_mm)
    across = float(np.linalg.norm(way - (way @ ray) * ray))
    if across > _FAR_FROM_PLAN_MM:
        notes.append(f"the cup lies {across:.0f} mm from the plan in the picture: is it the planned hip?")
    turned = angle_between_deg(taken.rim.normal_lps, planned.opening_axis_lps)
    if turned > _FAR_FROM_PLAN_DEG:
        notes.append(f"the cup's axis lies {turned:.0f} deg from the planned one")
    return notes


def doubts_of_clicks(ellipse_px: Ellipse, clicked: RimEllipse) -> list[str]:
    """Return a doubt if the fit left the clicked rim by more than the clicks allow."""
    apart = float(np.linalg.norm(ellipse_px.center - clicked.ellipse_px.center))
    allowed = 2.0 + 3.0 * float(np.sqrt(np.trace(clicked.covariance[:2, :2])))
    if apart > allowed:
        return [f"the rim found lies {apart:.1f} px from the clicked one"]
    return []
