"""The four points of the anterior pelvic plane with what is known about them: found, or filled in where the scan ends.

A point outside the scan, or on an edge that is only guessed, is taken from the other half of the pelvis, mirrored and
laid onto what is shown within 70 mm of it; where the other half lacks it too, from the fitted shape as its surface goes
on beyond the scan. The plane is
then settled again about it. How well each way does was measured on synthetic pelves whose halves differ as their shape
model makes them and by up to 2 mm more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from cotyle.anatomy.anterior_plane import (
    PassedOver,
    TouchingPlane,
    hip_bone,
    side_of,
    touching_plane_from_seeds,
    touching_plane_from_surfaces,
)
from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.landmarks import APP_NAMES, AnatomySeeds, Landmark, Landmarks, Origin
from cotyle.anatomy.mirrored_half import MirroredHalf, lay_halves, lay_piece, stands_proud_mm, symphysis_step_mm
from cotyle.anatomy.pelvis import Posture
from cotyle.anatomy.segmentation.edge_confidence import NO_EDGES, EdgeConfidence
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
# Height at which a point begins to leave what may be a spur, and at which it has left it; what stands out by more than
# the foot is passed over with the spur. Synthetic pelves without one: up to 3.6 mm, a few up to 4 mm; there a step
# would move the whole plane by a degree for a tenth of a millimetre.
_SPUR_MM, _SURE_SPUR_MM, _SPUR_FOOT_MM = 3.4, 4.1, 1.0
# healthy synthetic pelves: up to 3.2 mm and 4.6 deg
_STEP_MM, _TURN_DEG = 4.5, 6.0
# A plane known less well than this (one SD of tilt, rotation, obliquity) carries no plan.
MOST_UNCERTAIN = Posture(1.5, 0.75, 1.25)
# A point found on clear edges: one SD of its place, with shares of the ridge's length and of the way to the carried
# point, and across the plane, beside what all points share. Set on 23 synthetic scans (clean, askew, cut at the crest,
# small, large): errors of 0.20 to 0.35 mm rms along, and across of 0.09 mm about a mean of 0.2 mm.
_PLACE_MM, _RIDGE_SHARE, _CARRIED_SHARE, _ACROSS_MM = 0.15, 0.07, 0.06, 0.11
# one SD of an edge beyond which the place of a point is the shape model's guess, not the scan's
_GUESSED_MM = 2.0
# one SD across the plane and within it, and their growth for each mm between the point and the nearest bone shown
_MIRRORED_MM, _MIRRORED_GROWTH = (1.4, 3.0), (0.05, 0.10)
_CARRIED_MM = {"asis": (2.5, 3.5), "pubic_tubercle": (0.5, 2.5)}
_CARRIED_GROWTH = (0.12, 0.3)


def find_plane_points(
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds,
    user: Landmarks,
    in_image: InImage | None,
    edges: Mapping[str, EdgeConfidence] = NO_EDGES,
) -> tuple[dict[str, Landmark], list[Finding]]:
    """Find the four points; those of the user are held.

    Found twice where seeds are there: the difference tells how well. What is not seen (outside the scan, or on an edge
    that is a guess of more than 2 mm) is filled in.
    """
    held = {name: user[name].lps_mm for name in APP_NAMES if name in user}
    plane, free = _found_twice(surfaces, seeds, held)
    findings: list[Finding] = []
    bones = {side: hip_bone(surfaces, side) for side in Side}
    seen = _seen(bones, in_image, edges)
    halves = lay_halves(bones, seen)
    missing = [name for name in APP_NAMES if name not in held and not _is_seen(name, bones, plane, seen, in_image)]
    filled: dict[str, Landmark] = {}
    moved: dict[str, Array] = {}
    if missing:
        filled = _fill_in(bones, halves, plane, missing, seen)
        plane, free = _found_twice(surfaces, seeds, held | {name: mark.lps_mm for name, mark in filled.items()})
    else:
        spurs, passed_over = _spurs(bones, halves, plane, held)
        if spurs:
            bare, _ = _found_twice(surfaces, seeds, held, passed_over)
            findings += _spur_findings(spurs)
            moved = {name: bare.points_lps_mm[name] - plane.points_lps_mm[name] for name in spurs}
            partly = {
                name: plane.points_lps_mm[name] + _spur_share(spurs[name]) * way
                for name, way in moved.items()
                if spurs[name] < _SURE_SPUR_MM
            }
            plane, free = _found_twice(surfaces, seeds, held | partly, passed_over)
    apart_deg = angle_between_deg(plane.frame.posterior, free.frame.posterior)
    if apart_deg > _PLANES_APART_DEG:
        text = f"two ways to find the anterior pelvic plane differ by {apart_deg:.1f} deg; check its points"
        findings.append(Finding("pelvic-plane-doubtful", text, concerns=(Concern.FRAME,), landmarks=APP_NAMES))
    if not missing:
        findings += ring_findings(bones, halves, plane.frame)
    found = {name: _detected(name, plane, free, seeds, moved.get(name, np.zeros(3))) for name in APP_NAMES}
    return found | filled, findings


def require_known(uncertainty: Posture, points: Landmarks) -> None:
    """Refuse a plane that rests on too little.

    Raises
    ------
    InputError
        ``field-of-view`` if points are not seen in the scan and the angles would be less certain than
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
        names = ", ".join(name.replace("_", " ") for name in missing)
        raise InputError(
            "field-of-view",
            f"the scan does not show {names}: {worst} of the pelvis known within {1.96 * spread:.1f} deg only",
            "Use a scan that shows both anterior superior iliac spines and the pubic tubercles, or give these points",
        )


def ring_findings(bones: Mapping[Side, TriangleMesh], halves: MirroredHalf, frame: Frame) -> list[Finding]:
    """Say that one half of the ring stands askew, with the step at the symphysis (mm) and the turn (deg)."""
    behind_mm, above_mm = symphysis_step_mm(bones, frame)
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
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds,
    held: Mapping[str, Array],
    passed_over: PassedOver | None = None,
) -> tuple[TouchingPlane, TouchingPlane]:
    free = touching_plane_from_surfaces(surfaces, held, passed_over)
    if any(name not in seeds.points_lps_mm for name in APP_NAMES):
        return free, free
    return touching_plane_from_seeds(surfaces, seeds.points_lps_mm, held, passed_over), free


def _spurs(
    bones: Mapping[Side, TriangleMesh], halves: MirroredHalf, plane: TouchingPlane, held: Mapping[str, Array]
) -> tuple[dict[str, float], dict[Side, BoolArray]]:
    """The points that lie on a spur, with its height (mm); and the vertices of each hip bone that belong to one."""
    spurs: dict[str, float] = {}
    passed_over = {side: np.zeros(len(bone.vertices_lps_mm), dtype=bool) for side, bone in bones.items()}
    proud = {name: stands_proud_mm(bones, halves, side_of(name), plane.points_lps_mm[name]) for name in APP_NAMES}
    for name in APP_NAMES:
        side = side_of(name)
        height_mm, of_twin_mm = (float(proud[each].max()) for each in (name, _twin(name)))
        # what stands out on both sides is no spur but two bones of unlike shape
        if name not in held and height_mm > max(_SPUR_MM, 2.0 * of_twin_mm):
            spurs[name] = height_mm
            passed_over[side] |= proud[name] > _SPUR_FOOT_MM
    return spurs, passed_over


def _spur_share(height_mm: float) -> float:
    """Share of the way off what may be a spur, 0 to 1, without a step."""
    share = min(max((height_mm - _SPUR_MM) / (_SURE_SPUR_MM - _SPUR_MM), 0.0), 1.0)
    return share * share * (3.0 - 2.0 * share)


def _twin(name: str) -> str:
    side = side_of(name)
    return f"{name.removesuffix(f'_{side}')}_{side.opposite}"


def _spur_findings(spurs: Mapping[str, float]) -> list[Finding]:
    return [
        Finding(
            "spur-beside-landmark",
            f"a spur of bone stands {height_mm:.0f} mm out of the mirror image of the other half at "
            f"{name.replace('_', ' ')} and was passed over{_in_part(height_mm)}: check this point",
            concerns=(Concern.FRAME,),
            landmarks=(name,),
        )
        for name, height_mm in spurs.items()
    ]


def _in_part(height_mm: float) -> str:
    return "" if height_mm >= _SURE_SPUR_MM else f" in part ({100 * _spur_share(height_mm):.0f} %)"


def _detected(
    name: str, plane: TouchingPlane, free: TouchingPlane, seeds: AnatomySeeds, off_spur_mm: Array
) -> Landmark:
    point, other = plane.points_lps_mm[name], free.points_lps_mm[name]
    carried = float(np.linalg.norm(point - seeds.points_lps_mm.get(name, point)))
    apart = 0.5 * (point - other)
    # a spur may be the bone's own point after all: half the way between the two
    off_spur = 0.5 * off_spur_mm
    place = [_PLACE_MM, _RIDGE_SHARE * plane.ridge_mm[name], _CARRIED_SHARE * carried]
    along = float(np.linalg.norm(np.array([*place, *apart, *off_spur])))
    depth = [_ACROSS_MM, float(off_spur @ plane.frame.posterior), float(apart @ plane.frame.posterior)]
    across = float(np.linalg.norm(np.array(depth)))
    return Landmark(name, point, Origin.DETECTED, along, across)


def _seen(
    bones: Mapping[Side, TriangleMesh], in_image: InImage | None, edges: Mapping[str, EdgeConfidence]
) -> dict[Side, BoolArray]:
    """For the vertices of each hip bone: whether the scan shows them."""
    seen = {}
    for side in Side:
        points = bones[side].vertices_lps_mm
        seen[side] = np.ones(len(points), dtype=bool) if in_image is None else in_image(points)
        if f"{side}_hip_bone" in edges:
            seen[side] &= edges[f"{side}_hip_bone"].spread_mm < _GUESSED_MM
    return seen


def _is_seen(
    name: str,
    bones: Mapping[Side, TriangleMesh],
    plane: TouchingPlane,
    seen: Mapping[Side, BoolArray],
    in_image: InImage | None,
) -> bool:
    point, side = plane.points_lps_mm[name], side_of(name)
    nearest = int(np.argmin(np.linalg.norm(bones[side].vertices_lps_mm - point, axis=1)))
    return bool(seen[side][nearest]) and (in_image is None or bool(in_image(point[None])[0]))


def _fill_in(
    bones: Mapping[Side, TriangleMesh],
    halves: MirroredHalf,
    plane: TouchingPlane,
    missing: list[str],
    shown: Mapping[Side, BoolArray],
) -> dict[str, Landmark]:
    filled = {}
    for name in missing:
        side, point = side_of(name), plane.points_lps_mm[name]
        kind = name.removesuffix(f"_{side}")
        twin = _twin(name)
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
