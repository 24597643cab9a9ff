"""What speaks against a cup found in a picture, in sentences, and when there is none."""

from __future__ import annotations

import numpy as np

from cotyle.cup.component import Cup
from cotyle.space.arrays import unit
from cotyle.space.rotations import angle_between_deg
from cotyle.xray.carm import CArm
from cotyle.xray.cup_in_picture.candidate import Candidate
from cotyle.xray.cup_in_picture.outline_support import Support
from cotyle.xray.cup_in_picture.patch import Patch
from cotyle.xray.cup_in_picture.rim_ellipse import RimEllipse
from cotyle.xray.cup_in_picture.shell_fit import ShellFit
from cotyle.xray.cup_in_picture.shell_picture import metal
from cotyle.xray.ellipse import Ellipse

# limits of the verdict (our choice, from trials on simulated pictures; see docs/methods/cup_in_picture.md)
_LEAST_SUPPORT, _GOOD_SUPPORT = 0.4, 0.65
# metal of 7 mm of titanium and more, against the range of the patch
_DEEP, _LEAST_DARKNESS, _LEAST_WALL_MM = 2.5, 0.45, 1.2
_MOST_RESIDUAL_MM = 0.35
_FAR_FROM_PLAN_MM, _FAR_FROM_PLAN_DEG, _DEPTH_OFF_PLAN_MM = 15.0, 25.0, 12.0
_WALL_RATIO = 1.6


def why_not_found(patch: Patch, fit: ShellFit, support: Support) -> str:
    """Return why the fit is no cup, or nothing."""
    if not np.isfinite(fit.loss):
        return "the cup's outline could not be fitted"
    if support.share < _LEAST_SUPPORT:
        return f"only {support.share:.0%} of the cup's outline shows in the picture"
    deep = patch.usable & (metal(patch, fit.state) > _DEEP)
    added = float(np.median((fit.picture - fit.background)[deep])) if deep.any() else 0.0
    spread = float(np.subtract(*np.quantile(patch.attenuation[patch.usable], [0.95, 0.05])))
    if added < _LEAST_DARKNESS * spread or fit.state.thickness_mm < _LEAST_WALL_MM:
        return "nothing as dense as metal lies where the cup was looked for"
    return ""


def doubts_of_fit(fit: ShellFit, support: Support, planned: Cup) -> list[str]:
    """Return what is odd about a fit."""
    notes = []
    if support.share < _GOOD_SUPPORT:
        notes.append(f"{support.share:.0%} of the cup's outline is borne out by the picture")
    if support.residual_mm > _MOST_RESIDUAL_MM:
        notes.append(f"the outline fits to {support.residual_mm:.2f} mm only: is it a hemisphere of this diameter?")
    if not support.seen.all():
        notes.append(f"{1.0 - support.seen.mean():.0%} of the cup's outline lies outside the picture's field")
    if fit.state.thickness_mm * _WALL_RATIO < planned.shell_thickness_mm:
        notes.append(f"the wall of the shell reads {fit.state.thickness_mm:.1f} mm, which is thin for a cup")
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
