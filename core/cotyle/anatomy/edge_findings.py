"""Where a socket rests on edges that the scan doesn't show: a finding for its lunate surface and one for its wall.

The lunate gives centre, diameter and coverage. The wall is the bone behind the socket: the floor that faces its centre
within 60 degrees of the pole, and the surface behind it that turns its back to the centre and looks inwards, both
within 45 mm of the centre. A finding is raised where doubtful edges take a larger share of such a region, by area, than
they do in sound hips; it names the middle of the largest doubtful patches.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.segmentation.edge_confidence import EDGE_WORDS, Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket_sphere import vertex_areas
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# In sound hips (eight synthetic scans) up to 0.05 of the lunate and 0.02 of the wall are doubtful.
MOST_LUNATE_SHARE = 0.15
MOST_WALL_SHARE = 0.06
WALL_WITHIN_MM = 45.0
PATCHES = 2
_FLOOR_COSINE, _FACING, _BACK, _MEDIAL = 0.5, 0.5, 0.65, 0.5


def edge_findings(
    bone: TriangleMesh, edges: EdgeConfidence, lunate: BoolArray, sphere: Sphere, medial_lps: Array, side: Side
) -> Iterator[Finding]:
    """Yield the findings about one hip bone's edges round its socket.

    Parameters
    ----------
    lunate:
        Mask (n,) of the vertices of the articular surface.
    sphere:
        The socket's.
    medial_lps:
        Unit vector towards the middle of the pelvis.
    """
    areas = vertex_areas(bone)
    for region, most, code, words, concerns in (
        (
            lunate,
            MOST_LUNATE_SHARE,
            "lunate-edges-doubtful",
            f"articular surface of the {side} socket",
            (Concern.CENTER, Concern.DIAMETER, Concern.COVERAGE),
        ),
        (
            wall_region(bone, sphere, medial_lps),
            MOST_WALL_SHARE,
            "wall-edges-doubtful",
            f"bone behind the {side} socket",
            (Concern.WALL,),
        ),
    ):
        doubtful = region & edges.doubtful
        whole = float(areas[region].sum())
        share = float(areas[doubtful].sum()) / whole if whole > 0 else 1.0
        if share > most:
            kinds = np.bincount(edges.kind[doubtful], weights=areas[doubtful], minlength=len(Edge))
            kind = _words(Edge(int(np.argmax(kinds))))
            text = f"on {share:.0%} of the {words} there is {kind}: check it in the doubt figure"
            yield Finding(code, text, concerns=concerns, side=side, places_lps_mm=patch_places(bone, doubtful))


def wall_region(bone: TriangleMesh, sphere: Sphere, medial_lps: Array) -> BoolArray:
    """Return the mask (n,) of the vertices of the bone behind a socket; rule at the module's top."""
    offset = bone.vertices_lps_mm - sphere.center_lps_mm
    distance = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    outward = np.einsum("ij,ij->i", offset, bone.vertex_normals) / distance
    inwards = offset @ medial_lps / distance
    floor = (outward < -_FACING) & (inwards > _FLOOR_COSINE)
    inner = (outward > _BACK) & (bone.vertex_normals @ medial_lps > _MEDIAL) & (inwards > 0.0)
    return (floor | inner) & (distance < WALL_WITHIN_MM)


def patch_places(bone: TriangleMesh, chosen: BoolArray, most: int = PATCHES) -> tuple[tuple[float, float, float], ...]:
    """Return the vertices in the middle of the largest connected patches of a mask (n,), largest first, LPS mm."""
    if not chosen.any():
        return ()
    rows = np.flatnonzero(chosen)
    number = np.full(len(chosen), -1)
    number[rows] = np.arange(len(rows))
    pairs = np.concatenate([bone.triangles[:, [0, 1]], bone.triangles[:, [1, 2]]])
    pairs = number[pairs[chosen[pairs].all(axis=1)]]
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows), len(rows)))
    count, patch = connected_components(graph, directed=False)
    areas = np.bincount(patch, weights=vertex_areas(bone)[rows], minlength=count)
    places = []
    for which in np.argsort(-areas)[:most]:
        points = bone.vertices_lps_mm[rows[patch == which]]
        middle = points[np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1))]
        x, y, z = (round(float(value), 1) for value in middle)
        places.append((x, y, z))
    return tuple(places)


def _words(kind: Edge) -> str:
    if kind is Edge.METAL:
        return f"no edge to be trusted, {EDGE_WORDS[kind]}"
    return EDGE_WORDS[kind].replace(": ", ", ")
