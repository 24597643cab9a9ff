"""A planned cup in a hip of the shape model with its femur: what motion asks of a plan, and no more."""

from types import SimpleNamespace

from cotyle.anatomy.landmarks import APP_NAMES, Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.case.decision.motion import motion_of
from cotyle.case.decision.questions import Questions
from cotyle.case.plan_file import PlanFile, PostureChoice
from cotyle.case.schema import validated
from cotyle.cup.component import Cup
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from tests.cup.motion.model_leg import clear, model_leg

STEM = {"version_deg": 15.0, "neck_shaft_deg": 130.0, "neck_diameter_mm": 12.0}


def planned(change_deg=0.0, measured=False):
    """A cup of 50 mm at 40/15 in the middle of a mean left socket, with what the part asks of a planned cup."""
    leg, model = model_leg(), load_shape_model()
    marks = model.landmarks(model.pelvis_vertices((0.0,)))
    pelvis = build_pelvis({name: Landmark(name, marks[name], Origin.DETECTED, 1.0) for name in APP_NAMES}, change_deg)
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, pelvis.supine, Side.LEFT)
    anatomy = SimpleNamespace(
        surfaces={"left_hip_bone": leg.hip.bone, "left_femur": leg.femur},
        edges={"left_hip_bone": clear(leg.hip.bone), "left_femur": leg.edges},
        skeleton=SimpleNamespace(
            metal_cups={}, seeds=SimpleNamespace(socket=lambda side: SimpleNamespace(head=leg.head_seeds))
        ),
    )
    return SimpleNamespace(
        plan=PlanFile(side=Side.LEFT, posture=PostureChoice(standing_tilt_change_deg=change_deg, measured=measured)),
        pelvis=pelvis,
        cup=Cup(Side.LEFT, leg.hip.center, axis, 50.0),
        socket=SimpleNamespace(sphere=Sphere(leg.hip.center, leg.hip.diameter / 2), displaced=None),
        anatomy=anatomy,
    )


def facts_of(case, **motion):
    return motion_of(
        case, None, validated(Questions, {"schema": "cotyle/questions", "version": 1, "motion": motion}, "q"), 1
    )


def codes(facts):
    return {each.code for each in facts.doubts}


def limit(facts, name, posture="supine"):
    return next(each for each in facts.postures[posture].motions if each.name == name)
