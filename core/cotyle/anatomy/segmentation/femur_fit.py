"""A femur found from its socket and followed down the scan."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from cotyle.anatomy.segmentation.pelvis_fit import edge_cap_hu, free_rounds, shape_rounds
from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.edge_profiles import Edges
from cotyle.anatomy.shapes.shape_fit import DeformableShape, FitRound, ShapeFit, fit_shape
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import Guide, Limit, Trust, free_surface, settle_surface
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray
from cotyle.space.fits import fit_sphere, fit_sphere_robust
from cotyle.space.mesh import vertex_normals
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Turns of the femur tried about the centre of the head: about left (flexion), posterior (abduction), superior.
FLEXION_DEG = (-32.0, -16.0, 0.0, 16.0, 32.0)
ABDUCTION_DEG = (-16.0, -8.0, 0.0, 8.0, 16.0)
ROTATION_DEG = (-40.0, -20.0, 0.0, 20.0, 40.0)
_REFINED = 15
# The part of the femur that is compared: beyond the head's top, down to what any hip scan shows.
_NEAR_MM, _FAR_MM = 12.0, 135.0
_INSIDE_MM, _OUTSIDE_MM = 1.5, 7.0
_DENSITY_RANGE_HU = (-50.0, 450.0)


@dataclass(frozen=True, eq=False)
class FemurFit:
    """The femur in the scan: vertices (n, 3) in the model's order, edges of the last round, match score (HU).

    ``head`` is the robust sphere of the femoral head, ``head_misfit_mm`` the median distance from it.
    """

    vertices: Array
    triangles: IntArray
    edges: Edges
    head: Sphere
    head_misfit_mm: float
    score_hu: float


@dataclass(frozen=True, eq=False)
class FemurShape:
    """The femur after the model's fit: shape in the model, its fit, and the score of the search."""

    shape: DeformableShape
    fit: ShapeFit
    score_hu: float

    def vertices(self) -> Array:
        """Return LPS mm, (n, 3)."""
        return self.shape.vertices(self.fit.weights_sd, self.fit.pose)


def fit_femur_shape(
    smooth: Volume,
    model: ShapeModel,
    side: Side,
    pelvis: ShapeFit,
    center_lps_mm: Array,
    head_is_known: bool,
    trust: Trust | None = None,
) -> FemurShape:
    """Search the femur about the centre of its head and fit the model to it.

    Parameters
    ----------
    smooth:
        The scan at about 2.5 mm.
    pelvis:
        The pelvis as fitted with the same ``model``.
    center_lps_mm, head_is_known:
        The centre of the head if it was seen, and then the fitted head stays there; else that of the fitted socket.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    shape = _femur_shape(model, side)
    weights = np.array(pelvis.weights_sd)
    start = _seated(shape, weights, pelvis.pose, model, center_lps_mm)
    turn, score = _search(smooth, shape, weights, start, center_lps_mm)
    if head_is_known:
        turn[3:] = 0.0
    first = ShapeFit(_turned(start, turn, center_lps_mm), weights, np.zeros(len(shape.mean)))
    rounds = [FitRound(r.search, r.modes, max(r.prior, 0.02), free_scale=False) for r in shape_rounds()[-8:]]
    pose_only = [FitRound(rounds[0].search, 0, 0.0, free_scale=False)] * 3
    fitted = fit_shape(smooth, shape, first, pose_only + rounds, trust=trust)
    if head_is_known:
        pose = _seated(shape, fitted.weights_sd, fitted.pose, model, center_lps_mm)
        fitted = ShapeFit(pose, fitted.weights_sd, fitted.step_hu)
    return FemurShape(shape, fitted, score)


def follow_femur(
    volume: Volume,
    model: ShapeModel,
    side: Side,
    fitted: FemurShape,
    outward_limit: Limit | None = None,
    trust: Trust | None = None,
    guide: Guide | None = None,
) -> FemurFit:
    """Let the fitted femur follow the scan at full resolution; ``model`` sets the fineness of the result."""
    shape = _femur_shape(model, side)
    vertices = shape.vertices(fitted.fit.weights_sd, fitted.fit.pose)
    rounds = free_rounds(edge_cap_hu(fitted.fit.step_hu[fitted.fit.step_hu > 0]))
    followed, edges = free_surface(volume, vertices, shape.triangles, rounds, trust, outward_limit, guide)
    head, rms = fit_sphere_robust(followed[model.head_vertices])
    return FemurFit(followed, shape.triangles, edges, head, rms, fitted.score_hu)


def settle_femur(
    volume: Volume,
    model: ShapeModel,
    femur: FemurFit,
    blur: Blur,
    outward_limit: Limit | None = None,
    trust: Trust | None = None,
    guide: Guide | None = None,
) -> FemurFit:
    """Take the blur of the scan back from a femur that follows it."""
    vertices, edges = settle_surface(volume, femur.vertices, femur.triangles, blur, trust, outward_limit, guide)
    head, misfit = fit_sphere_robust(vertices[model.head_vertices])
    return FemurFit(vertices, femur.triangles, edges, head, misfit, femur.score_hu)


def _femur_shape(model: ShapeModel, side: Side) -> DeformableShape:
    if side is Side.LEFT:
        return DeformableShape(model.femur_mean, model.femur_modes, model.femur_triangles)
    flip = np.array([-1.0, 1.0, 1.0])
    return DeformableShape(model.femur_mean * flip, model.femur_modes * flip, model.femur_triangles[:, ::-1])


def _seated(shape: DeformableShape, weights_sd: Array, pose: Pose, model: ShapeModel, center_lps_mm: Array) -> Pose:
    head, _ = fit_sphere(shape.vertices(weights_sd, pose)[model.head_vertices])
    return Pose(pose.rotation, pose.translation_mm + center_lps_mm - head.center_lps_mm, pose.scale)


def _turned(pose: Pose, turn: Array, center_lps_mm: Array) -> Pose:
    """The pose after a turn about a centre and a shift: ``turn`` holds three degrees and three mm."""
    rotation = Rotation.from_euler("xyz", turn[:3], degrees=True).as_matrix()
    translation = rotation @ (pose.translation_mm - center_lps_mm) + center_lps_mm + turn[3:]
    return Pose(rotation @ pose.rotation, translation, pose.scale)


def _search(
    smooth: Volume, shape: DeformableShape, weights_sd: Array, start: Pose, center_lps_mm: Array
) -> tuple[Array, float]:
    vertices = shape.vertices(weights_sd, start)
    normals = vertex_normals(vertices, shape.triangles)
    distance = np.linalg.norm(vertices - center_lps_mm, axis=1)
    used = (distance > _NEAR_MM) & (distance < _FAR_MM)
    offsets, normals = vertices[used] - center_lps_mm, normals[used]

    def loss(turn: Array) -> float:
        rotation = Rotation.from_euler("xyz", turn[:3], degrees=True).as_matrix()
        points = offsets @ rotation.T + center_lps_mm + turn[3:]
        outward = normals @ rotation.T
        low, high = _DENSITY_RANGE_HU
        inside = np.clip(sample(smooth, points - _INSIDE_MM * outward, np.nan), low, high)
        outside = np.clip(sample(smooth, points + _OUTSIDE_MM * outward, np.nan), low, high)
        contrast = inside - outside
        seen = np.isfinite(contrast)
        return -float(contrast[seen].mean()) if seen.sum() > 0.3 * len(seen) else 0.0

    turns = [np.array([*angles, 0.0, 0.0, 0.0]) for angles in product(FLEXION_DEG, ABDUCTION_DEG, ROTATION_DEG)]
    turns.sort(key=loss)
    refined = [
        minimize(loss, turn, method="Powell", options={"maxiter": 3, "xtol": 0.3, "ftol": 1e-3})
        for turn in turns[:_REFINED]
    ]
    best = min(refined, key=lambda result: float(result.fun))
    return np.asarray(best.x), -float(best.fun)
