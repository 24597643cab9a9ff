"""Planned cups for decisions, with what those need of one and no more."""

from functools import cache
from types import SimpleNamespace

import numpy as np
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.case.plan_file import PlanFile, PostureChoice
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.image.labels import hip_bone
from cotyle.image.volume import Volume
from cotyle.space.fits import fit_sphere
from cotyle.space.side import Side

POINTS = {
    "asis_left": (120.0, -60.0, 90.0),
    "asis_right": (-118.0, -62.0, 92.0),
    "pubic_tubercle_left": (25.0, -68.0, 2.0),
    "pubic_tubercle_right": (-27.0, -66.0, 1.0),
}


def planned_cup(inclination=40.0, anteversion=17.5, side=Side.RIGHT, change=0.0, measured=False, seated=None):
    """A cup at radiographic angles in the supine frame, with the plan's changes of tilt on standing and sitting."""
    pelvis = build_pelvis(
        {name: Landmark(name, np.array(point), Origin.GIVEN, 1.0) for name, point in POINTS.items()}, change
    )
    orientation = Orientation(inclination, anteversion)
    axis = axis_from_orientation(orientation, Definition.RADIOGRAPHIC, pelvis.supine, side)
    posture = PostureChoice(standing_tilt_change_deg=change, measured=measured, seated_tilt_change_deg=seated)
    cup = Cup(side, np.array([-87.0, 0.0, 20.0]), axis, 52.0)
    return SimpleNamespace(plan=PlanFile(side=side, posture=posture), pelvis=pelvis, cup=cup)


@cache
def model_case(side=Side.LEFT, rise_mm=0.0, metal=False):
    """A 52 mm cup at 40 / 15 on a hip of the open shape model, so far above its native centre."""
    model = load_shape_model()
    vertices = model.pelvis_vertices((0.5, -1.0, 0.5))
    marks = {name: Landmark(name, point, Origin.DETECTED, 1.0) for name, point in landmarks_of(model, vertices).items()}
    pelvis = build_pelvis(marks)
    surfaces = {hip_bone(each): model.part(vertices, HIP_CODE[each]) for each in Side}
    lunate = {each: fit_sphere(vertices[model.lunate_vertices[each]])[0] for each in Side}
    sockets = {
        each: SimpleNamespace(center_lps_mm=ball.center_lps_mm, diameter_mm=2 * ball.radius_mm)
        for each, ball in lunate.items()
    }
    anatomy = SimpleNamespace(
        pelvis=lambda _: pelvis,
        socket=sockets.__getitem__,
        sockets=sockets,
        surfaces=surfaces,
        edges=dict.fromkeys(surfaces),
        skeleton=SimpleNamespace(metal_cups={side: None} if metal else {}),
    )
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, pelvis.supine, side)
    center = sockets[side].center_lps_mm + rise_mm * pelvis.supine.superior
    depth = np.arange(-5.0, 20.0, 0.5)
    track = SimpleNamespace(
        depth_mm=depth, density_hu=np.full(len(depth), 500.0), pole_mm=0.0, floor_mm=0.0, inner_surface_mm=8.0
    )
    return SimpleNamespace(
        plan=PlanFile(side=side),
        pelvis=pelvis,
        cup=Cup(side, center, axis, 52.0),
        landmarks=marks,
        anatomy=anatomy,
        socket=sockets[side],
        hip_bone=surfaces[hip_bone(side)],
        track=track,
        wall=SimpleNamespace(along_axis_mm=8.0, thin=False),
    )


def landmarks_of(model, vertices):
    """The four points of the anterior pelvic plane."""
    points = model.landmarks(vertices)
    return {name: np.array(points[name]) for name in POINTS}


def even_scan(hu, half_mm=250.0):
    """A scan of one density all over the pelvis of :func:`model_case`."""
    count = int(half_mm / 5.0)
    matrix = np.diag([10.0, 10.0, 10.0, 1.0])
    matrix[:3, 3] = model_case().pelvis.app.origin_lps_mm - half_mm
    return Volume(np.full((count + 1,) * 3, hu, dtype=np.float32), matrix)
