"""Orientation of given axes, in every frame and definition, by angles drawn on planes instead of by formulas.

Murray's definitions (J Bone Joint Surg Br 1993;75-B:228-32) in words: radiographic inclination is the angle between
the longitudinal axis and the cup's axis projected on the coronal plane, radiographic anteversion the angle between the
axis and that plane; operative inclination is the angle to the sagittal plane, operative anteversion that between the
longitudinal axis and the axis projected on the sagittal plane; anatomic inclination is the angle to the longitudinal
axis, anatomic anteversion that between the transverse axis and the axis projected on the transverse plane.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from cotyle.anatomy.pelvis import Pelvis
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.space.frames import Frame
from cotyle.space.side import Side

from tests.validation.errors_of import Error


def _angle_deg(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def _onto_plane(axis: np.ndarray, normal: np.ndarray) -> np.ndarray:
    return axis - (axis @ normal) * normal


def angles_by_planes(axis: np.ndarray, frame: Frame, side: Side) -> dict[Definition, tuple[float, float]]:
    """Return (inclination, anteversion) in degrees by definition, from the definitions' own words."""
    lateral, anterior, down = side.lateral_sign * frame.left, -frame.posterior, -frame.superior
    forward = 1.0 if axis @ anterior >= 0 else -1.0
    return {
        Definition.RADIOGRAPHIC: (
            _angle_deg(down, _onto_plane(axis, anterior)),
            90.0 - _angle_deg(axis, anterior),
        ),
        Definition.OPERATIVE: (
            90.0 - _angle_deg(axis, lateral),
            forward * _angle_deg(down, _onto_plane(axis, lateral)),
        ),
        Definition.ANATOMIC: (_angle_deg(down, axis), forward * _angle_deg(lateral, _onto_plane(axis, down))),
    }


def orientation_errors(name: str, pelvis: Pelvis, axes: int = 20) -> Iterator[Error]:
    """Compare random openings (lateral, downwards, forwards or backwards) in every frame of a pelvis."""
    rng = np.random.default_rng(7)
    for frame in pelvis.frames.values():
        for side in Side:
            for _ in range(axes):
                radiographic, anteversion = np.radians([rng.uniform(10, 75), rng.uniform(-25, 45)])
                in_plane = np.sin(radiographic) * side.lateral_sign * frame.left - np.cos(radiographic) * frame.superior
                axis = np.cos(anteversion) * in_plane - np.sin(anteversion) * frame.posterior
                for definition, expected in angles_by_planes(axis, frame, side).items():
                    found = orientation_of_axis(axis, frame, side, definition)
                    apart = np.subtract((found.inclination_deg, found.anteversion_deg), expected)
                    yield Error("orientation", f"{name} {frame.name} {side} {definition}", float(np.abs(apart).max()))
