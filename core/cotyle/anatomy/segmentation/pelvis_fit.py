"""The pelvis found and followed: coarse search, shape model, then a free surface at full resolution."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from cotyle.anatomy.segmentation.lost_sacrum import find_lost_sacrum, follow_solid
from cotyle.anatomy.segmentation.pelvis_parts import (
    CLOSE,
    MIDDLE,
    NEAR,
    edges_met,
    let_parts_free,
    part_of_shape,
    sacrum_is_lost,
    vertices_of_parts,
)
from cotyle.anatomy.shapes.coarse_search import CoarseFind, find_pelvis
from cotyle.anatomy.shapes.edge_profiles import Edges, EdgeSearch
from cotyle.anatomy.shapes.shape_fit import DeformableShape, FitRound, ShapeFit, fit_shape
from cotyle.anatomy.shapes.shape_landmarks import SACRUM
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import Guide, Limit, SurfaceRound, Trust, free_surface
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

MODES = 12
SMOOTH_MM = 2.5
# The sacrum varies more than the model knows and has soft edges: it may not pull the hip bones about.
SACRUM_TRUST = 0.4
_CEILING_HU = 450.0
_HARD_HU = 1800.0
_NO_CAP = 4000.0

# Synthetic pelves of the model, changed by 3 mm rms or healed askew, meet 0.90 and more; a digitised skeleton
# that the model does not hold meets 0.66.
LEAST_EDGES_MET = 0.8
# (reach, stiffness) from stiff and far to soft and near; the last two see the whole step of the cortex, because
# clipped density alone sets every surface about half a millimetre too far out
_FREE_AFAR = ((16.0, 300.0), (12.0, 100.0), (8.0, 50.0))
_FREE_SOFT = ((5.0, 30.0), (4.0, 10.0), (3.0, 3.0), (2.5, 1.0))
_FREE_HARD = ((1.8, 1.0), (1.2, 0.5), (1.2, 0.5))


@dataclass(frozen=True, eq=False)
class PelvisShape:
    """The model as it lies in the scan.

    coarse: the match from afar; fit: pose and modes of the whole; parts: bones let go from it, by their code;
    edges_met: how much of the edge of bone the whole met, 0 to 1; lone_sacrum: the sacrum as a solid, where the model
    had lost it.
    """

    coarse: CoarseFind
    fit: ShapeFit
    parts: Mapping[int, ShapeFit] = field(default_factory=dict)
    edges_met: float = 1.0
    lone_sacrum: Volume | None = None

    @property
    def unusual(self) -> bool:
        """Whether the bones have a shape that the model hardly knows."""
        return self.edges_met < LEAST_EDGES_MET

    def vertices(self, model: ShapeModel) -> Array:
        """Return LPS mm of the fitted pelvis at the fineness of ``model``, (n, 3)."""
        shape = DeformableShape(model.pelvis_mean, model.pelvis_modes, model.pelvis_triangles)
        return vertices_of_parts(model, shape.vertices(self.fit.weights_sd, self.fit.pose), self.parts)


def fit_pelvis_shape(volume: Volume, smooth: Volume, model: ShapeModel, trust: Trust | None = None) -> PelvisShape:
    """Find the pelvis and fit the model's pose and modes.

    Parameters
    ----------
    volume, smooth:
        CT in HU, and the same at about ``SMOOTH_MM``.
    model:
        The shape model, coarse.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    coarse = find_pelvis(volume, model)
    shape = DeformableShape(model.pelvis_mean, model.pelvis_modes, model.pelvis_triangles)
    bone_weight = np.where(model.pelvis_component == SACRUM, SACRUM_TRUST, 1.0)
    start = ShapeFit(coarse.pose, np.zeros(MODES), np.zeros(len(shape.mean)))
    fit = fit_shape(smooth, shape, start, shape_rounds(), bone_weight, trust)
    found = PelvisShape(coarse, fit, let_parts_free(smooth, model, fit, trust), edges_met(smooth, shape, fit))
    return _with_lost_sacrum(found, volume, smooth, model, trust) if sacrum_is_lost(smooth, model, fit) else found


def _with_lost_sacrum(
    found: PelvisShape, volume: Volume, smooth: Volume, model: ShapeModel, trust: Trust | None
) -> PelvisShape:
    """The sacrum as what is left beside the hip bones, once these are followed roughly."""
    cap_hu = edge_cap_hu(found.fit.step_hu)
    rounds = rounds_from_afar(cap_hu) + free_rounds(cap_hu)[: len(_FREE_SOFT)]
    hips, _ = free_surface(smooth, found.vertices(model), model.pelvis_triangles, rounds, trust)
    lost = find_lost_sacrum(volume, model, hips, found.fit)
    if lost is None:
        return found
    fit, solid = lost
    return replace(found, parts={**found.parts, SACRUM: fit}, lone_sacrum=solid)


def follow_pelvis(
    volume: Volume,
    model: ShapeModel,
    fitted: PelvisShape,
    outward_limit: Limit | None = None,
    trust: Trust | None = None,
    guide: Guide | None = None,
    start_lps_mm: Array | None = None,
) -> tuple[Array, Edges]:
    """Let the fitted pelvis follow the scan at full resolution, from ``start_lps_mm`` (n, 3) if given.

    Returns
    -------
    vertices, edges
        Vertices (n, 3) LPS mm in the order of ``model``, and the edges that the last round saw.
    """
    cap_hu = edge_cap_hu(fitted.fit.step_hu)
    start = fitted.vertices(model) if start_lps_mm is None else start_lps_mm
    nearer = np.array(start)
    if fitted.unusual:
        rounds = rounds_from_afar(cap_hu)
        nearer, _ = free_surface(volume, start, model.pelvis_triangles, rounds, trust, outward_limit, guide)
    if fitted.lone_sacrum is not None:
        rows, sacrum = part_of_shape(model, SACRUM)
        nearer[rows] = follow_solid(fitted.lone_sacrum, start[rows], sacrum.triangles)
    return free_surface(volume, nearer, model.pelvis_triangles, free_rounds(cap_hu), trust, outward_limit, guide)


def shape_rounds() -> list[FitRound]:
    """Pose alone from afar, then pose and modes with a prior that lets go."""
    far = EdgeSearch(reach_mm=16.0, step_mm=1.0, span_mm=4.0, ceiling_hu=_CEILING_HU, cap_hu=200.0)
    return (
        [FitRound(far, 0, 0.0)] * 6
        + [FitRound(MIDDLE, MODES, prior) for prior in (0.06, 0.06, 0.06, 0.02, 0.02, 0.02, 0.008, 0.008)]
        + [FitRound(NEAR, MODES, 0.008)] * 4
        + [FitRound(CLOSE, MODES, 0.008)] * 4
    )


def rounds_from_afar(cap_hu: float) -> list[SurfaceRound]:
    """Before all others where the fitted shape lies too far off: reach as far as the bones are thick, but stiffly."""
    return [SurfaceRound(EdgeSearch(reach, 0.5, 2.0, 600.0, cap_hu), stiffness) for reach, stiffness in _FREE_AFAR]


def free_rounds(cap_hu: float) -> list[SurfaceRound]:
    """From stiff and far to soft and near; the last rounds see the whole step of the cortex."""
    soft = [SurfaceRound(EdgeSearch(reach, 0.5, 2.0, 600.0, cap_hu), stiffness) for reach, stiffness in _FREE_SOFT]
    hard = [SurfaceRound(EdgeSearch(reach, 0.3, 1.2, _HARD_HU, _NO_CAP), stiffness) for reach, stiffness in _FREE_HARD]
    return soft + hard


def edge_cap_hu(step_hu: Array) -> float:
    """Height above which one edge is as good as another: twice the 70th percentile, kept in 60 to 350 HU."""
    if step_hu.size == 0:
        return 60.0
    return float(np.clip(2.0 * np.percentile(step_hu, 70.0), 60.0, 350.0))
