"""A worn hip: contact of bone on bone, a roof and a head that gave way, osteophytes, a second floor over the fossa.

Coordinates are those of the subject's app frame; directions are (lateral, posterior, superior). What the density shows
of wear (sclerosis, cysts) is in :mod:`cotyle_sample.worn_density`.

The sphere of a worn socket is that of its lunate surface where it is not worn: the worn patch and osteophytes do not
count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from cotyle.anatomy.shapes import shape_landmarks
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.space.arrays import Array, unit
from cotyle.space.fits import fit_plane, fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.spatial import cKDTree

from cotyle_sample.distances import signed_distance
from cotyle_sample.double_floor import Pocket, raised_floor
from cotyle_sample.shaping import Handles, Indices, smooth_random_field, smooth_values, spread_displacements
from cotyle_sample.sockets import SocketChange

if TYPE_CHECKING:
    from cotyle_sample.subject import Subject

SUPEROLATERAL = (0.35, 0.0, 0.94)
MEDIAL = (-0.55, 0.1, 0.83)
CONTACT_MM = 0.2
"""Bone this near to bone counts as contact."""
_TOUCH_MM = 0.1
_NECK_CLEAR_MM = 0.6
_NEAR_HEAD_MM = 40.0


@dataclass(frozen=True)
class Wear:
    """How one hip is worn.

    gap_mm: joint space that an even seat would have; toward: where the head has migrated; contact_share: of the lunate
    surface that lies bone on bone; roof_share: of what had to give way there, taken by the roof (the head gives the
    rest); out_of_round_mm: deviation of the head from its sphere; rim_osteophyte_mm, head_osteophyte_mm: the largest;
    double_floor_mm: plate over the fossa and gap behind it, None without; sclerosis_hu, sclerosis_mm: density under
    the contact and how deep it goes; cysts: wished for in each bone; protrusio_mm: how far socket and wall have moved
    into the pelvis; seed: draws where osteophytes and cysts lie.
    """

    seed: int = 0
    gap_mm: float = 0.8
    toward: tuple[float, float, float] = SUPEROLATERAL
    contact_share: float = 0.2
    roof_share: float = 0.6
    out_of_round_mm: float = 0.3
    rim_osteophyte_mm: float = 5.0
    head_osteophyte_mm: float = 4.0
    double_floor_mm: tuple[float, float] | None = None
    sclerosis_hu: float = 1100.0
    sclerosis_mm: float = 6.5
    cysts: int = 3
    protrusio_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class WornHip:
    """A worn hip as made: the way of its head from the socket's centre, and half the angle of the contact."""

    wear: Wear
    moved_mm: Array
    contact_deg: float
    pocket: Pocket | None = None


def drawn_wear(seed: int, protrusio: bool = False, double_floor: bool = False) -> Wear:
    """Wear of a seed; the ranges are common practice, no source."""
    rng = np.random.default_rng([seed, 11])
    sideways = np.array([rng.uniform(-0.15, 0.15), rng.uniform(-0.25, 0.25), 0.0])
    toward = unit(np.array(MEDIAL if protrusio else SUPEROLATERAL) + sideways)
    gap_behind = rng.uniform(1.0, 1.6) if rng.random() < 0.5 else rng.uniform(2.5, 3.0)
    return Wear(
        seed=seed,
        gap_mm=rng.uniform(0.5, 1.0),
        toward=(float(toward[0]), float(toward[1]), float(toward[2])),
        contact_share=rng.uniform(0.12, 0.28),
        roof_share=rng.uniform(0.3, 0.9),
        out_of_round_mm=rng.uniform(0.15, 0.45),
        rim_osteophyte_mm=rng.uniform(3.0, 8.0),
        head_osteophyte_mm=rng.uniform(3.0, 8.0),
        double_floor_mm=(rng.uniform(1.5, 2.5), gap_behind) if double_floor else None,
        sclerosis_hu=rng.uniform(900.0, 1300.0),
        sclerosis_mm=rng.uniform(5.0, 8.0),
        cysts=int(rng.integers(1, 5)),
        protrusio_mm=rng.uniform(13.5, 15.5) if protrusio else 0.0,
    )


def socket_change(wear: Wear) -> SocketChange:
    """The change of the socket's general shape before it is worn."""
    deeper = 0.0 if wear.double_floor_mm is None else max(sum(wear.double_floor_mm) - 2.5, 0.0)
    if wear.protrusio_mm:
        return SocketChange(
            lateral_mm=-wear.protrusio_mm,
            superior_mm=1.5,
            radius_mm=0.5,
            floor_lateral_mm=-deeper,
            inner_lateral_mm=2.0 - wear.protrusio_mm,
            least_floor_mm=1.5,
            joint_gap_mm=wear.gap_mm,
        )
    return SocketChange(floor_lateral_mm=-deeper, least_floor_mm=2.0, joint_gap_mm=wear.gap_mm)


def wear_down(
    model: ShapeModel, vertices: Array, sockets: dict[Side, Sphere], wear: Mapping[Side, Wear]
) -> tuple[Array, dict[Side, WornHip]]:
    """Pelvis vertices (n, 3) with sockets worn down, and the worn hips; ``sockets`` as they were before."""
    worn = {}
    for side, each in wear.items():
        vertices, worn[side] = worn_socket(model, vertices, side, sockets[side], each)
    return vertices, worn


def worn_socket(model: ShapeModel, vertices: Array, side: Side, sphere: Sphere, wear: Wear) -> tuple[Array, WornHip]:
    """Wear one socket down: pelvis vertices (n, 3) in the model's order, and what was done.

    ``sphere`` is that of its lunate surface before, and stays that of what is not worn.
    """
    lunate = model.lunate_vertices[side]
    toward = unit(np.array(wear.toward) * [side.lateral_sign, 1.0, 1.0])
    moved_mm, contact_deg = _migration(vertices[lunate], sphere, toward, wear)
    bone = np.flatnonzero(model.pelvis_component == shape_landmarks.HIP_CODE[side])
    number = np.full(len(vertices), -1)
    number[bone] = np.arange(len(bone))
    mesh = model.part(vertices, shape_landmarks.HIP_CODE[side])
    points = _roof_gives_way(mesh.vertices_lps_mm, number[lunate], sphere, moved_mm * toward, wear)
    rim = number[model.rim_vertices[side]]
    floor = number[model.fossa_vertices[side]]
    points = points + _rim_osteophytes(mesh.with_vertices(points), rim, floor, sphere, wear)
    pocket = None
    if wear.double_floor_mm is not None:
        fossa = np.setdiff1d(floor, rim)
        head = Sphere(sphere.center_lps_mm + moved_mm * toward, sphere.radius_mm - wear.gap_mm)
        points, pocket = raised_floor(mesh.with_vertices(points), fossa, head, *wear.double_floor_mm)
    result = vertices.copy()
    result[bone] = points
    return result, WornHip(wear, moved_mm * toward, contact_deg, pocket)


def worn_femur(model: ShapeModel, femur: TriangleMesh, socket: Sphere, hip: WornHip) -> tuple[TriangleMesh, Sphere]:
    """A seated femur (:func:`cotyle_sample.sockets.seat_femur`) with its head migrated, out of round, with osteophytes.

    Where it meets the socket it is dented only once it lies in the scanner: see :func:`resting`.
    """
    wear, rng = hip.wear, np.random.default_rng([hip.wear.seed, 12])
    center = socket.center_lps_mm + hip.moved_mm
    points = femur.vertices_lps_mm + hip.moved_mm
    offset = points - center
    distance = np.linalg.norm(offset, axis=1)
    on_head = model.head_vertices
    radius = socket.radius_mm - wear.gap_mm
    uneven = np.clip(smooth_random_field(points[on_head], 14.0, rng, 1), -1.5, 1.5)
    uneven *= wear.out_of_round_mm
    moves = np.zeros_like(points)
    moves[on_head] = offset[on_head] / distance[on_head, None] * uneven
    # a collar of bone where the head's sphere ends, uneven round the neck
    neck = unit(points[(distance > radius + 12.0) & (distance < radius + 22.0)].mean(axis=0) - center)
    along = offset @ neck
    outward = offset - along[:, None] * neck
    reach = np.linalg.norm(outward, axis=1)
    outward = outward / np.maximum(reach, 1e-9)[:, None]
    ends = float(np.percentile(along[on_head], 97.0))
    height = np.exp(-(((along - ends - 1.5) / 2.6) ** 2)) * (distance < radius + 10.0)
    wave = smooth_random_field(outward * radius, 12.0, rng, 1)[:, 0]
    size = wear.head_osteophyte_mm * np.clip(0.5 + 0.5 * wave, 0.15, 1.0)
    moves += (height * size)[:, None] * (outward - 0.25 * neck)
    points = points + smooth_values(femur.triangles, moves, 1)
    return femur.with_vertices(points), fit_sphere(points[on_head])[0]


def rest_worn_hips(subject: Subject, bones: dict[str, TriangleMesh]) -> None:
    """Dent the worn femora of a subject that lies in the scanner; changes ``bones``."""
    for side in subject.worn:
        name = f"{side}_femur"
        bones[name] = resting(subject.model, bones[name], bones[f"{side}_hip_bone"])


def resting(model: ShapeModel, femur: TriangleMesh, hip_bone: TriangleMesh, rounds: int = 10) -> TriangleMesh:
    """The femur dented where it would enter the hip bone, as both lie in the scanner."""
    points = femur.vertices_lps_mm
    low, high = hip_bone.bounds_lps_mm
    least = np.full(len(points), _NECK_CLEAR_MM)
    least[model.head_vertices] = _TOUCH_MM
    center = fit_sphere(points[model.head_vertices])[0].center_lps_mm
    for _ in range(rounds):
        near = np.flatnonzero(((points > low - 3.0) & (points < high + 3.0)).all(axis=1))
        missing = np.zeros(len(points))
        missing[near] = np.clip(least[near] - signed_distance(hip_bone, points[near]), 0.0, 4.0)
        # a ridge of the hip bone may lie within the femur between its vertices
        ridge = hip_bone.vertices_lps_mm[np.linalg.norm(hip_bone.vertices_lps_mm - center, axis=1) < _NEAR_HEAD_MM]
        depth = _TOUCH_MM - signed_distance(femur.with_vertices(points), ridge)
        nearest = cKDTree(points).query(ridge[depth > 0.0], k=3)[1]
        np.maximum.at(missing, nearest, depth[depth > 0.0, None])
        if missing.max() < 0.03:
            break
        spread = np.maximum(missing, smooth_values(femur.triangles, missing, 2))
        spread[model.head_vertices] = missing[model.head_vertices]
        # the head gives way towards its middle: along a normal the edge of its collar would slide along the rim
        ways = vertex_normals(points, femur.triangles)
        ways[model.head_vertices] = unit_rows(points[model.head_vertices] - center)
        points = points - spread[:, None] * ways
    return femur.with_vertices(points)


def contact_share(
    femur: TriangleMesh, lunate_points: Array, weights: Array | None = None, within_mm: float = CONTACT_MM + 0.1
) -> float:
    """Share of lunate points (n, 3) that lie within a distance of the femur; 0.1 mm is left for the facets."""
    touching = signed_distance(femur, lunate_points) < within_mm
    return float(np.average(touching, weights=weights))


def with_pockets(bones: Mapping[str, TriangleMesh], worn: Mapping[Side, WornHip]) -> dict[str, TriangleMesh]:
    """Bones with the pockets of their double floors: surfaces within the bone, wound so that they are outside it."""
    result = dict(bones)
    for side, hip in worn.items():
        if hip.pocket is not None:
            result[f"{side}_hip_bone"] = hip.pocket.added_to(bones[f"{side}_hip_bone"])
    return result


def _migration(lunate: Array, sphere: Sphere, toward: Array, wear: Wear) -> tuple[float, float]:
    """Way of the head so that the wanted share of the lunate is in contact, and half the contact's angle."""
    cosine = unit_rows(lunate - sphere.center_lps_mm) @ toward
    # the angle within which the wanted share of the lunate lies
    edge = float(np.quantile(cosine, 1.0 - wear.contact_share))
    return (wear.gap_mm - 0.5 * CONTACT_MM) / edge, float(np.rad2deg(np.arccos(edge)))


def unit_rows(vectors: Array) -> Array:
    """Vectors (n, 3) at length one."""
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-9))


def _roof_gives_way(points: Array, lunate: Indices, sphere: Sphere, moved: Array, wear: Wear) -> Array:
    """Lunate pushed outward where the head would enter it, by the roof's share."""
    radial = unit_rows(points - sphere.center_lps_mm)
    depth = radial @ moved - (wear.gap_mm - _TOUCH_MM)
    worn = np.zeros(len(points))
    worn[lunate] = wear.roof_share * np.maximum(depth[lunate], 0.0)
    return np.asarray(points + worn[:, None] * radial)


def _rim_osteophytes(mesh: TriangleMesh, rim: Indices, floor: Indices, sphere: Sphere, wear: Wear) -> Array:
    """Displacements (n, 3) that draw parts of the rim out along the sphere, over the head."""
    rng = np.random.default_rng([wear.seed, 13])
    points = mesh.vertices_lps_mm
    plane = fit_plane(points[rim])
    mouth = -plane.normal_lps * np.sign((points[floor].mean(axis=0) - plane.point_lps_mm) @ plane.normal_lps)
    place = np.arange(len(rim)) / max(len(rim) - 1, 1)
    size = np.zeros(len(rim))
    for number, middle in enumerate(rng.uniform(0.08, 0.92, 3)):
        height = wear.rim_osteophyte_mm * (1.0 if number == 0 else rng.uniform(0.4, 1.0))
        size = np.maximum(size, height * np.exp(-(((place - middle) / rng.uniform(0.06, 0.14)) ** 2)))
    offset = points[rim] - sphere.center_lps_mm
    radial = unit_rows(offset)
    along = unit_rows(mouth - (radial @ mouth)[:, None] * radial)
    angle = size / np.linalg.norm(offset, axis=1)
    drawn = (
        np.linalg.norm(offset, axis=1)[:, None] * (np.cos(angle)[:, None] * radial + np.sin(angle)[:, None] * along)
        + 0.2 * size[:, None] * radial
    )
    moves = drawn - offset
    away = cKDTree(points[rim]).query(points)[0]
    still = np.flatnonzero(away > 1.0 + 0.9 * max(wear.rim_osteophyte_mm, 4.0))
    handles = [Handles(rim, moves, 4.0), Handles(still, np.zeros((len(still), 3)), 1.0)]
    return spread_displacements(mesh.triangles, len(points), handles, stiffness=0.5)
