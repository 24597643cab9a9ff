"""A point placed by hand brought onto the bone it belongs to."""

from __future__ import annotations

from collections.abc import Mapping

import numpy.typing as npt

from cotyle.anatomy.landmarks import check_name
from cotyle.errors import InputError
from cotyle.image.labels import hip_bone
from cotyle.space.arrays import Array, as_vector, unit
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side

OFF_BONE = ("hip_center", "symphysis")
"""Landmarks that lie on no bone: the middle of a sphere, the middle of a joint."""
FARTHEST_MM = 15.0
"""A point farther from its bone than this is not brought onto it: it was meant for another place."""


def bone_of(name: str) -> str | None:
    """Return the bone a landmark lies on, None for those that lie on none; InputError ``landmark-unknown``."""
    check_name(name)
    if name.startswith(OFF_BONE):
        return None
    side = next((each for each in Side if name.endswith(f"_{each}")), None)
    return "sacrum" if side is None else hip_bone(side)


def on_bone(name: str, point_lps_mm: npt.ArrayLike, surfaces: Mapping[str, TriangleMesh]) -> Array:
    """Return the nearest point of the surface a landmark belongs to, shape (3,), LPS mm.

    Raises
    ------
    InputError
        ``landmark-off-bone`` for a landmark that lies on no bone, for a bone that is not there, and for a point
        farther than 15 mm from it.
    """
    bone, point = bone_of(name), as_vector(point_lps_mm, name)
    words = name.replace("_", " ")
    if bone is None:
        raise InputError("landmark-off-bone", f"the {words} lies on no bone", "Place it by eye")
    if bone not in surfaces:
        raise InputError("landmark-off-bone", f"there is no {bone.replace('_', ' ')} to bring the {words} onto")
    nearest = MeshQuery(surfaces[bone]).closest_points(point[None])[0]
    way = float(((nearest - point) ** 2).sum() ** 0.5)
    if way > FARTHEST_MM:
        raise InputError(
            "landmark-off-bone",
            f"the {bone.replace('_', ' ')} is {way:.0f} mm away from the {words}",
            "Place it nearer to the bone first",
        )
    return as_vector(nearest)


def first_on_bone(
    start_lps_mm: npt.ArrayLike, end_lps_mm: npt.ArrayLike, surfaces: Mapping[str, TriangleMesh]
) -> Array | None:
    """Return where a straight look from start to end, each (3,) LPS mm, first meets a surface, or None."""
    start, end = as_vector(start_lps_mm, "start"), as_vector(end_lps_mm, "end")
    met = [MeshQuery(mesh).line_crossings(start, end) for mesh in surfaces.values()]
    ways = [crossings[0] for crossings in met if len(crossings)]
    return as_vector(start + min(ways) * unit(end - start)) if ways else None
