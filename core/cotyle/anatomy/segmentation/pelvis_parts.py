"""The bones of a pelvis let go one by one, where the shape model holds them together in a way that the scan does not.

The model moves both hip bones and the sacrum as one. After an old fracture one half of the ring stands askew, and the
model can follow it only with shapes that no bone has; so each hip bone then finds its own pose and its own modes,
starting from those of the whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from cotyle.anatomy.shapes.edge_profiles import EdgeSearch
from cotyle.anatomy.shapes.shape_fit import DeformableShape, FitRound, ShapeFit, fit_shape
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray

_CEILING_HU = 450.0
# Searches that every fit of the pelvis and its bones goes through, from afar to near.
MIDDLE = EdgeSearch(reach_mm=14.0, step_mm=1.0, span_mm=4.0, ceiling_hu=_CEILING_HU, cap_hu=200.0)
NEAR = EdgeSearch(reach_mm=8.0, step_mm=0.8, span_mm=3.2, ceiling_hu=_CEILING_HU, cap_hu=250.0)
CLOSE = EdgeSearch(reach_mm=5.0, step_mm=0.5, span_mm=2.5, ceiling_hu=_CEILING_HU, cap_hu=300.0)
_SEEN_HU, _LEAST_SHOWN = 250.0, 0.3
# A sacrum in its place meets 0.92 or more of its edges, one that is not there 0.6 (synthetic scans).
_SACRUM_MET = 0.75


def part_of_shape(model: ShapeModel, code: int) -> tuple[IntArray, DeformableShape]:
    """Return the vertex numbers of one bone in the model's pelvis, and that bone as a shape of its own."""
    rows = np.flatnonzero(model.pelvis_component == code).astype(np.int32)
    number = np.full(len(model.pelvis_mean), -1, dtype=np.int32)
    number[rows] = np.arange(len(rows), dtype=np.int32)
    triangles = model.pelvis_triangles[model.pelvis_component[model.pelvis_triangles[:, 0]] == code]
    return rows, DeformableShape(model.pelvis_mean[rows], model.pelvis_modes[:, rows], number[triangles])


def let_parts_free(
    smooth: Volume, model: ShapeModel, whole: ShapeFit, trust: Trust | None = None
) -> Mapping[int, ShapeFit]:
    """Return the fit of each bone that is let go, by its component code.

    Parameters
    ----------
    smooth:
        CT in HU at about 2.5 mm.
    model, whole:
        The coarse shape model, and its fit as one piece.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    return {code: _own_fit(smooth, model, whole, code, trust) for code in HIP_CODE.values()}


def sacrum_is_lost(smooth: Volume, model: ShapeModel, whole: ShapeFit) -> bool:
    """Whether the fitted sacrum meets so few edges that it must be looked for otherwise."""
    rows, shape = part_of_shape(model, SACRUM)
    return edges_met(smooth, shape, replace(whole, step_hu=whole.step_hu[rows])) < _SACRUM_MET


def edges_met(volume: Volume, shape: DeformableShape, fit: ShapeFit) -> float:
    """How much of a bone's edge a fitted surface meets, 0 to 1, by its vertices in the scan; 1 where these are few.

    An edge counts in full from 0.6 of the height that the best third of them has, or from 250 HU.
    """
    inside = volume.contains(shape.vertices(fit.weights_sd, fit.pose))
    if inside.mean() < _LEAST_SHOWN:
        return 1.0
    height_hu = fit.step_hu[inside]
    full_hu = min(0.6 * float(np.percentile(height_hu, 70.0)), _SEEN_HU)
    return float(np.mean(np.clip(height_hu / max(full_hu, 1.0), 0.0, 1.0)))


def vertices_of_parts(model: ShapeModel, whole: Array, parts: Mapping[int, ShapeFit]) -> Array:
    """Return the pelvis' vertices (n, 3) LPS mm with each part where its own fit puts it."""
    vertices = np.array(whole)
    for code, fit in parts.items():
        rows, shape = part_of_shape(model, code)
        vertices[rows] = shape.vertices(fit.weights_sd, fit.pose)
    return vertices


def _own_fit(smooth: Volume, model: ShapeModel, whole: ShapeFit, code: int, trust: Trust | None) -> ShapeFit:
    rows, shape = part_of_shape(model, code)
    modes = len(whole.weights_sd)
    plan = [(MIDDLE, 0, 0.0)] * 2 + [(NEAR, 0, 0.0)] * 3 + [(NEAR, modes, 0.02)] * 3 + [(CLOSE, modes, 0.008)] * 3
    rounds = [FitRound(search, count, prior, free_scale=False) for search, count, prior in plan]
    return fit_shape(smooth, shape, replace(whole, step_hu=whole.step_hu[rows]), rounds, trust=trust)
