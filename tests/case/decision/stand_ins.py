"""A planned cup without a scan: what posture needs of one, and no more."""

from types import SimpleNamespace

import numpy as np
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.case.plan_file import PlanFile, PostureChoice
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.side import Side

POINTS = {
    "asis_left": (120.0, -60.0, 90.0),
    "asis_right": (-118.0, -62.0, 92.0),
    "pubic_tubercle_left": (25.0, -68.0, 2.0),
    "pubic_tubercle_right": (-27.0, -66.0, 1.0),
}


def planned_cup(inclination=40.0, anteversion=17.5, side=Side.RIGHT, change=0.0, measured=False):
    """A cup at radiographic angles in the supine frame, with the plan's change of tilt on standing."""
    pelvis = build_pelvis(
        {name: Landmark(name, np.array(point), Origin.GIVEN, 1.0) for name, point in POINTS.items()}, change
    )
    orientation = Orientation(inclination, anteversion)
    axis = axis_from_orientation(orientation, Definition.RADIOGRAPHIC, pelvis.supine, side)
    posture = PostureChoice(standing_tilt_change_deg=change, measured=measured)
    cup = Cup(side, np.array([-87.0, 0.0, 20.0]), axis, 52.0)
    return SimpleNamespace(plan=PlanFile(side=side, posture=posture), pelvis=pelvis, cup=cup)
