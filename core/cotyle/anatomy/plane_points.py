"""The four points of the anterior pelvic plane with what is known about them: found, or filled in where the scan ends.

A point outside the scan is taken from the other half of the pelvis, mirrored and laid onto what is shown within 70 mm
of it; where the other half lacks it too, from the fitted shape as its surface goes on beyond the scan. The plane is
then settled again about it. How well each way does was measured on synthetic pelves whose halves differ as their shape
model makes them and by up to 2 mm more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from cotyle.anatomy.anterior_plane import (
    TouchingPlane,
    hip_bone,
    side_of,
    touching_plane_from_seeds,
    touching_plane_from_surfaces,
)
from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.landmark_rules import SURFACE_UNCERTAINTY_MM, uncertainty_mm
from cotyle.anatomy.landmarks import APP_NAMES, AnatomySeeds, Landmark, Landmarks, Origin
from cotyle.anatomy.mirrored_half import lay_halves, lay_piece, symphysis_step_mm
from cotyle.anatomy.pelvis import Posture
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side

InImage = Callable[[Array], BoolArray]
"""Given points (n, 3) LPS mm: whether they lie in the image."""

# beyond these a result is called doubtful; common practice, no source
_PLANES_APART_DEG = 2.0
# healthy synthetic pelves: up to 3.2 mm and 4.6 deg
_STEP_MM, _TURN_DEG = 4.5, 6.0
# A plane known less well than this (one SD of tilt, rotation, obliquity) carries no plan.
MOST_UNCERTAIN = Posture(1.5, 0.75, 1.25)
# one SD across the plane and within it, and their growth for each mm between the point and the nearest bone shown
_MIRRORED_MM, _MIRRORED_GROWTH = (1.4, 3.0), (0.05, 0.10)
_CARRIED_MM = {"asis": (2.5, 3.5), "pubic_tubercle": (0.5, 2.5)}
_CARRIED_GROWTH = (0.12, 0.3)


def find_plane_points(
    surfaces: Mapping[str, TriangleMesh], seeds: AnatomySeeds, user: Landmarks, in_image: InImage | None
) -> tuple[dict[str, Landmark], list[Finding]]:
    """Find the four points; those of the user are held.

    Found twice where seeds are there: the difference tells how well.
    """
    held = {name: user[name].lps_mm for name in APP_NAMES if name in user}
    plane, free = _found_twice(surfaces, seeds, held)
    findings: list[Finding] = []
    missing = [name for name in APP_NAMES if in_image and name not in held and not _inside(in_image, plane, name)]
    filled: dict[str, Landmark] = {}
    if missing and in_image:
        filled = _fill_in(surfaces, plane, missing, in_image)
        plane, free = _found_twice(surfaces, seeds, held | {name: mark.lps_mm for name, mark in filled.items()})
    apart_deg = angle_between_deg(plane.frame.posterior, free.frame.posterior)
    if apart_deg > _PLANES_APART_DEG:
        text = f"two ways to find the anterior pelvic plane differ by {apart_deg:.1f} deg; check its points"
        findings.append(Finding("pelvic-plane-doubtful", text, concerns=(Concern.FRAME,), landmarks=APP_NAMES))
    if not missing:
        findings += ring_findings({side: hip_bone(surfaces, side) for side in Side}, plane.frame)
    points = {name: filled.get(name) or _detected(name, plane, free, seeds) for name in APP_NAMES}
    return points, findings


def require_known(uncertainty: Posture, points: Landmarks) -> None:
    """Refuse a plane that rests on too little.

    Raises
    ------
    InputError
        ``field-of-view`` if points lie outside the scan and the angles would be less certain than
        :data:`MOST_UNCERTAIN`.
    """
    missing = [name for name in APP_NAMES if points[name].origin is Origin.EXTRAPOLATED]
    pairs = (
        ("tilt", uncertainty.anterior_tilt_deg, MOST_UNCERTAIN.anterior_tilt_deg),
        ("rotation", uncertainty.rotation_to_left_deg, MOST_UNCERTAIN.rotation_to_left_deg),
        ("obliquity", uncertainty.left_up_deg, MOST_UNCERTAIN.left_up_deg),
    )
    worst, spread, limit = max(pairs, key=lambda pair: pair[1] / pair[2])
    if missing and spread > limit:
        raise InputError(
            "field-of-view",
            f"the scan ends before {', '.join(name.replace('_', ' ') for name in missing)}: the {worst} of the pelvis "
            f"would be known within {1.96 * spread:.1f} deg only",
            "Use a scan that shows both anterior superior iliac spines and the pubic tubercles, or give these points",
        )


def ring_findings(bones: Mapping[Side, TriangleMesh], frame: Frame) -> list[Finding]:
    """Say that one half of the ring stands askew, with the step at the symphysis (mm) and the turn (deg)."""
    behind_mm, above_mm = symphysis_step_mm(bones, frame)
    halves = lay_halves(bones)
    if np.hypot(behind_mm, above_mm) <= _STEP_MM and halves.turn_deg <= _TURN_DEG:
        return []
    text = (
        f"the pelvic ring is asymmetric: at the symphysis the left half stands {abs(above_mm):.0f} mm "
        f"{'above' if above_mm > 0 else 'below'} and {abs(behind_mm):.0f} mm {'behind' if behind_mm > 0 else 'before'} "
        f"the right one, and it is turned by {halves.turn_deg:.1f} deg against the right one's mirror image; the "
        "pelvic plane, and what is mirrored in it, do not fit both halves"
    )
    return [Finding("ring-asymmetric", text, concerns=(Concern.FRAME,), landmarks=APP_NAMES)]


def _found_twice(
    surfaces: Mapping[str, TriangleMesh], seeds: AnatomySeeds, held: Mapping[str, Array]
) -> tuple[TouchingPlane, TouchingPlane]:
    free = touching_plane_from_surfaces(surfaces, held)
    if any(name not in seeds.points_lps_mm for name in APP_NAMES):
        return free, free
    return touching_plane_from_seeds(surfaces, seeds.points_lps_mm, held), free


def _detected(name: str, plane: TouchingPlane, free: TouchingPlane, seeds: AnatomySeeds) -> Landmark:
    point, other = plane.points_lps_mm[name], free.points_lps_mm[name]
    place_mm = uncertainty_mm(name, point, plane.ridge_mm[name], seeds)
    along = float(np.hypot(place_mm, 0.5 * np.linalg.norm(point - other)))
    across = float(np.hypot(SURFACE_UNCERTAINTY_MM, 0.5 * abs((point - other) @ plane.frame.posterior)))
    return Landmark(name, point, Origin.DETECTED, along, across)


def _inside(in_image: InImage, plane: TouchingPlane, name: str) -> bool:
    return bool(in_image(plane.points_lps_mm[name][None])[0])


def _fill_in(
    surfaces: Mapping[str, TriangleMesh], plane: TouchingPlane, missing: list[str], in_image: InImage
) -> dict[str, Landmark]:
    bones = {side: hip_bone(surfaces, side) for side in Side}
    shown = {side: in_image(bone.vertices_lps_mm) for side, bone in bones.items()}
    halves = lay_halves(bones, shown)
    filled = {}
    for name in missing:
        side, point = side_of(name), plane.points_lps_mm[name]
        kind = name.removesuffix(f"_{side}")
        twin = f"{kind}_{side.opposite}"
        seen = bones[side].vertices_lps_mm[shown[side]]
        if twin not in missing:
            point = lay_piece(bones, shown, halves, point, side).onto(side, plane.points_lps_mm[twin])
        way_mm = float(np.linalg.norm(seen - point, axis=1).min()) if len(seen) else float("inf")
        spread, growth = (
            (_MIRRORED_MM, _MIRRORED_GROWTH) if twin not in missing else (_CARRIED_MM[kind], _CARRIED_GROWTH)
        )
        across, along = (float(np.hypot(sd, rate * way_mm)) for sd, rate in zip(spread, growth, strict=True))
        filled[name] = Landmark(name, point, Origin.EXTRAPOLATED, along, across)
    return filled
