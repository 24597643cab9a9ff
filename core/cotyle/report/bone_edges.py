"""The edges of bones as X-rays show them, for drawing over a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.xray.carm import CArm
from cotyle.xray.outlines import joined, silhouette_segments
from cotyle.xray.registration.bone_model import PELVIS

_LONG_MM = 40.0
"""Shorter edges are left out: rough spots at the joints, which no picture shows."""


def bone_edges_px(carm: CArm, surfaces: Mapping[str, TriangleMesh], names: Sequence[str] = PELVIS) -> list[Array]:
    """Return the long edges of bones, hidden or not, as lines (n, 2) of (column, row)."""
    lines = [line for name in names if name in surfaces for line in joined(silhouette_segments(carm, surfaces[name]))]
    return [carm.project(line) for line in lines if _length(line) > _LONG_MM]


def _length(line_lps_mm: Array) -> float:
    return float(np.linalg.norm(np.diff(line_lps_mm, axis=0), axis=1).sum())
