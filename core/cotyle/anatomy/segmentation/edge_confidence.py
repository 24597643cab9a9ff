"""How sure is each place of a bone's surface: an edge of bone in the scan, or something else that put it there.

A vertex lies on a *clear* edge when

1. the scan shows it: inside the grid, and far enough from metal;
2. density falls there, from 1.2 mm inside to 1.2 mm outside, by at least 0.6 of what it falls by at the middle vertex
   of the same bone: a scan is judged by its own contrast, and a thin floor falls by less. Where another bone is within
   5 mm it takes 0.75: in a worn joint the edge fades before it goes wrong. The middle vertex is that of its own
   direction to the slices, which may be thick and blur what lies along them; and where the edges of a bone differ much
   by themselves, as thin cortex does, less is asked of each;
3. no second edge lies 1.2 to 4.8 mm farther in, where another bone is within 5 mm: the surface may then have crossed a
   joint and follow the far side of it.

What is not clear was filled in: by the shape model and the stiffness of the surface, or by whoever drew the labels. Its
standard deviation grows with the way to the nearest clear vertex. Edges in slices that a repair made up are told apart
later, by :mod:`cotyle.anatomy.made_up_slices`. Rules and numbers are ours, set on synthetic scans:
eight of them (worn, dysplastic, loose cup, changed by 2 mm off the model), where the rules name 0.9 of the vertices
that lie more than 0.6 mm off and one in a hundred of all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.mesh import TriangleMesh

LEAST_HEIGHT, LEAST_HEIGHT_BESIDE = 0.6, 0.75
SECOND_EDGE_HEIGHT = 0.6
OTHER_BONE_MM = 5.0
_STEP_MM, _SPAN = 0.3, 4
_REACH_MM = 6.0
_CEILING_HU, _FLOOR_HU = 1800.0, -50.0
# At the edge itself the surface may be off by a step of the profile.
_OWN_MM = 0.35
_SECOND_MM = (1.2, 4.8)

# Classes of direction, by the cosine between normal and the axis across the slices, and the fewest vertices of one.
_DIRECTIONS = (0.0, 0.3, 0.6, 0.8, 1.0)
_FEWEST_ALIKE = 30

CLEAR_SD_MM = 0.12
"""One standard deviation of a clear edge in voxels of about 0.8 x 0.8 x 1.0 mm, where nothing better is known."""


class Edge(IntEnum):
    """What put a place of a surface where it is."""

    CLEAR = 0
    PRIOR = 1
    METAL = 2
    OUTSIDE = 3
    DRAWN = 4
    MADE_UP = 5


EDGE_WORDS: Mapping[Edge, str] = {
    Edge.CLEAR: "clear edge of bone",
    Edge.PRIOR: "no clear edge: filled in by the shape model",
    Edge.METAL: "beside metal or in its streaks",
    Edge.OUTSIDE: "outside the scan",
    Edge.DRAWN: "no clear edge: as drawn in the labels",
    Edge.MADE_UP: "no edge of its own: in slices that were made up",
}


@dataclass(frozen=True)
class SpreadLaw:
    """One standard deviation by the way to the nearest clear vertex: first_mm + per_mm * way, at most most_mm."""

    first_mm: float
    per_mm: float
    most_mm: float

    def sd_mm(self, way_mm: Array) -> Array:
        """Return standard deviations (n,) for ways (n,)."""
        return np.minimum(self.first_mm + self.per_mm * way_mm, self.most_mm)


# Set so that what rests on them is held by 1.96 deviations in 90 to 99 of 100 cases of the validation.
SPREAD_LAWS: Mapping[Edge, SpreadLaw] = {
    Edge.PRIOR: SpreadLaw(0.15, 0.37, 2.6),
    Edge.METAL: SpreadLaw(0.22, 0.09, 1.2),
    Edge.OUTSIDE: SpreadLaw(1.0, 0.2, 6.0),
    # a hand and a voxel's edge; common practice, no source
    Edge.DRAWN: SpreadLaw(0.7, 0.05, 1.5),
}
# The sacrum varies more than the model knows, and its joints are where it is filled in.
SACRUM_PRIOR_SD_MM = 2.6


@dataclass(frozen=True, eq=False)
class EdgeConfidence:
    """Of one surface: kind (n,) of :class:`Edge`, and one standard deviation (n,) in mm across the surface.

    Kept in a byte and in half precision (a thousandth of the value), so that a case stays small and what is read from
    its file is what was computed.
    """

    kind: npt.NDArray[np.uint8]
    sd_mm: npt.NDArray[np.float16]

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", np.asarray(self.kind, dtype=np.uint8))
        object.__setattr__(self, "sd_mm", np.asarray(self.sd_mm, dtype=np.float16))

    @property
    def spread_mm(self) -> Array:
        """The standard deviations (n,) to reckon with."""
        return self.sd_mm.astype(np.float64)

    @property
    def doubtful(self) -> BoolArray:
        """Mask (n,) of what is not a clear edge."""
        return self.kind != Edge.CLEAR


NO_EDGES: Mapping[str, EdgeConfidence] = {}
"""Where nothing is known of edges: all count as clear."""


def excess_mm(sd_mm: npt.ArrayLike) -> Array:
    """Return by how much (in squares) standard deviations exceed that of a clear edge in a usual scan.

    Uncertainties that were set on clean scans hold a clear edge's already; they grow by this.
    """
    return np.sqrt(np.maximum(np.square(np.asarray(sd_mm, dtype=np.float64)) - CLEAR_SD_MM**2, 0.0))


ClearSpread = Callable[[Array, Array], Array]
"""Given vertices (n, 3) on clear edges and the height of each edge in HU (n,): one standard deviation in mm (n,)."""


def judge_edges(
    volume: Volume,
    surfaces: Mapping[str, TriangleMesh],
    trust: Trust | None = None,
    drawn: frozenset[str] = frozenset(),
    clear_spread: ClearSpread | None = None,
    only: frozenset[str] | None = None,
) -> dict[str, EdgeConfidence]:
    """Judge every vertex of each surface.

    Parameters
    ----------
    volume:
        CT in HU.
    surfaces:
        Closed surfaces in LPS mm by bone name.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    drawn:
        Bones whose labels somebody drew: what is not clear there is ``DRAWN``, not ``PRIOR``.
    clear_spread:
        Standard deviation of clear edges; ``CLEAR_SD_MM`` if not given.
    only:
        Bones to judge, all if not given; the others still count as neighbours.
    """
    judged = {}
    for name, mesh in surfaces.items():
        if only is None or name in only:
            others = [each.vertices_lps_mm for other, each in surfaces.items() if other != name]
            found = _judge(volume, mesh, others, trust, name in drawn, clear_spread)
            judged[name] = _sacral(found) if name == "sacrum" else found
    return judged


def _judge(
    volume: Volume,
    mesh: TriangleMesh,
    others: list[Array],
    trust: Trust | None,
    drawn: bool,
    clear_spread: ClearSpread | None,
) -> EdgeConfidence:
    vertices = mesh.vertices_lps_mm
    height, second, shown = np.zeros(len(vertices)), np.zeros(len(vertices)), volume.contains(vertices)
    height[shown], second[shown], shown[shown] = edge_heights(volume, vertices[shown], mesh.vertex_normals[shown])
    usual, least_share = usual_heights(height, shown, np.abs(mesh.vertex_normals @ volume.directions[:, 2]))
    beside = np.zeros(len(vertices), dtype=bool)
    if others:
        beside = cKDTree(np.concatenate(others)).query(vertices, distance_upper_bound=OTHER_BONE_MM)[0] < np.inf
    least = np.minimum(np.where(beside, LEAST_HEIGHT_BESIDE, LEAST_HEIGHT), least_share) * usual
    clear = (height >= least) & ~(beside & (second > SECOND_EDGE_HEIGHT * usual))
    kind = np.where(clear, Edge.CLEAR, Edge.DRAWN if drawn else Edge.PRIOR).astype(np.uint8)
    if trust is not None:
        doubted = trust(vertices) < 1.0
        kind[doubted] = Edge.DRAWN if drawn else Edge.METAL
    kind[~shown] = Edge.OUTSIDE
    return EdgeConfidence(kind, _half(_spread(vertices, kind, height, clear_spread)))


def _sacral(edges: EdgeConfidence) -> EdgeConfidence:
    least = np.where(edges.kind == Edge.PRIOR, SACRUM_PRIOR_SD_MM, 0.0)
    return EdgeConfidence(edges.kind, _half(np.maximum(edges.spread_mm, least)))


def _half(sd_mm: Array) -> npt.NDArray[np.float16]:
    return sd_mm.astype(np.float16)


def _spread(vertices: Array, kind: npt.NDArray[np.uint8], height_hu: Array, clear_spread: ClearSpread | None) -> Array:
    clear = kind == Edge.CLEAR
    sd = np.full(len(vertices), CLEAR_SD_MM)
    if clear_spread is not None and clear.any():
        sd[clear] = clear_spread(vertices[clear], height_hu[clear])
    way = cKDTree(vertices[clear]).query(vertices)[0] if clear.any() else np.full(len(vertices), np.inf)
    for edge, law in SPREAD_LAWS.items():
        sd[kind == edge] = law.sd_mm(way[kind == edge])
    return sd


def usual_heights(height_hu: Array, shown: BoolArray, cosines: Array) -> tuple[Array, float]:
    """Return the height (n,) of the middle edge in each vertex's direction, and the least share to ask of each edge.

    ``cosines`` (n,): of the angle between normal and the axis across the slices, 0 to 1. The share is 1 less two and a
    half of the median deviation from the middle, at least one half.
    """
    if not shown.any():
        return np.zeros(len(height_hu)), 1.0
    middles = []
    for low, high in pairwise(_DIRECTIONS):
        own = height_hu[shown & (cosines >= low) & (cosines <= high)]
        middles.append(float(np.median(own if len(own) >= _FEWEST_ALIKE else height_hu[shown])))
    usual = np.interp(cosines, 0.5 * (np.array(_DIRECTIONS[1:]) + _DIRECTIONS[:-1]), middles)
    deviation = float(np.median(np.abs(height_hu[shown] / np.maximum(usual[shown], 1.0) - 1.0)))
    return usual, max(1.0 - 2.5 * deviation, 0.5)


def edge_heights(volume: Volume, vertices_lps_mm: Array, normals: Array) -> tuple[Array, Array, BoolArray]:
    """Return for each vertex the fall of density at it (HU), the largest fall farther in, and whether it is shown.

    A fall is the mean over 1.2 mm inside a place minus that over 1.2 mm outside; ``vertices_lps_mm`` and ``normals``
    (n, 3), the latter outward.
    """
    offsets = np.arange(-_REACH_MM, _REACH_MM + 0.5 * _STEP_MM, _STEP_MM)
    places = vertices_lps_mm[:, None, :] + offsets[:, None] * normals[:, None, :]
    profile = sample(volume, places, outside=np.nan).astype(np.float64)
    shown = volume.contains(vertices_lps_mm) & np.isfinite(
        profile[:, np.abs(offsets) <= _OWN_MM + _SPAN * _STEP_MM]
    ).all(axis=1)
    profile = np.clip(np.nan_to_num(profile, nan=_FLOOR_HU), _FLOOR_HU, _CEILING_HU)
    steps = 0.5 * (profile[:, 1:] + profile[:, :-1])
    sums = np.concatenate([np.zeros((len(profile), 1)), np.cumsum(steps, axis=1)], axis=1)
    middle = np.arange(_SPAN, len(offsets) - _SPAN)
    fall = (2.0 * sums[:, middle] - sums[:, middle - _SPAN] - sums[:, middle + _SPAN]) / _SPAN
    at = offsets[middle]
    inner = (at <= -_SECOND_MM[0] + 1e-9) & (at >= -_SECOND_MM[1] - 1e-9)
    return fall[:, np.abs(at) <= _OWN_MM].max(axis=1), fall[:, inner].max(axis=1), shown
