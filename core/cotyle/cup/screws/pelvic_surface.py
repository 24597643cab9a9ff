"""The pelvic side of a hip bone as far as screws reach: wider than the inner surface that walls are measured to.

:mod:`cotyle.cup.inner_surface` keeps near the socket, since no wall lies farther. A screw that runs up the ilium comes
near the iliac fossa, the brim and the joint with the sacrum. So above the socket's centre those triangles are added
that face medially within 75 degrees, turn away from the centre (within 78 degrees of the direction from it) and see no
more of the same bone within 40 mm medially. The limits are ours.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cotyle.cup.inner_surface import InnerSurface, looking_into_pelvis, of_triangles
from cotyle.space.arrays import as_vector, read_only, unit
from cotyle.space.mesh import TriangleMesh

REACH_MM = 140.0
_LEAST_MEDIAL_COSINE, _LEAST_BACK_COSINE = 0.26, 0.2


def pelvic_surface(
    hip_bone: TriangleMesh,
    inner: InnerSurface,
    socket_center_lps_mm: npt.ArrayLike,
    medial_lps: npt.ArrayLike,
    superior_lps: npt.ArrayLike,
) -> InnerSurface:
    """Return the inner surface with what lies above the socket's centre on the pelvic side, up to 140 mm away."""
    center, medial = as_vector(socket_center_lps_mm, "socket centre"), unit(medial_lps, "medial direction")
    offset, normals = hip_bone.centroids_lps_mm - center, hip_bone.triangle_normals
    distance = np.linalg.norm(offset, axis=1)
    candidate = (
        (offset @ unit(superior_lps, "superior direction") > 0.0)
        & (distance < REACH_MM)
        & (normals @ medial > _LEAST_MEDIAL_COSINE)
        & (np.einsum("ij,ij->i", normals, offset) > _LEAST_BACK_COSINE * distance)
    )
    more = of_triangles(hip_bone, looking_into_pelvis(hip_bone, np.flatnonzero(candidate), medial))
    # triangles of both are there twice, which changes no distance
    return InnerSurface(
        read_only(np.concatenate([inner.corners_lps_mm, more.corners_lps_mm])),
        read_only(np.concatenate([inner.normals_lps, more.normals_lps])),
    )
