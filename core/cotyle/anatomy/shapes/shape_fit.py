"""The shape model fitted to a scan: pose, size and modes so that its surface meets the edges of bone.

Active shape model in the sense of Cootes et al. (Comput Vis Image Underst 1995;61:38-59), with the step to
the edges solved for pose and modes together (Gauss-Newton) and a Gaussian prior on the modes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.edge_profiles import EdgeSearch, find_edges
from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import vertex_normals

# No component may lie farther from the mean than this many standard deviations.
MODE_LIMIT_SD = 3.0


@dataclass(frozen=True, eq=False)
class DeformableShape:
    """A mean surface with modes: vertices (n, 3) mm, modes (k, n, 3) mm a standard deviation, triangles (m, 3)."""

    mean: Array
    modes: Array
    triangles: IntArray

    def vertices(self, weights_sd: npt.ArrayLike, pose: Pose) -> Array:
        """Return LPS mm of the shape with these weights at a pose."""
        weights = np.asarray(weights_sd, dtype=float)
        return pose.apply(self.mean + np.tensordot(weights, self.modes[: len(weights)], axes=1))


@dataclass(frozen=True)
class FitRound:
    """One round of the fit: how to search, how many modes (0: pose only), and how strong the prior on them."""

    search: EdgeSearch
    modes: int
    prior: float
    free_scale: bool = True


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """The fitted pose and weights, and for each vertex the height of the edge that it found (HU)."""

    pose: Pose
    weights_sd: Array
    step_hu: Array


def fit_shape(
    volume: Volume,
    shape: DeformableShape,
    start: ShapeFit,
    rounds: Sequence[FitRound],
    weight: Array | None = None,
    trust: Trust | None = None,
) -> ShapeFit:
    """Fit a shape in rounds.

    Parameters
    ----------
    volume:
        Densities in HU.
    shape, start:
        The model, and the pose and weights to start from.
    rounds:
        From far reach and pose alone to near reach and many modes.
    weight:
        Weight of each vertex, shape (n,); 1 if not given.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    fit = start
    for step in rounds:
        fit = _one_round(volume, shape, fit, step, np.ones(len(shape.mean)) if weight is None else weight, trust)
    return fit


def _one_round(
    volume: Volume, shape: DeformableShape, fit: ShapeFit, step: FitRound, weight: Array, trust: Trust | None
) -> ShapeFit:
    weights = np.zeros(step.modes) if step.modes else fit.weights_sd
    weights[: len(fit.weights_sd)] = fit.weights_sd[: len(weights)]
    vertices = shape.vertices(weights, fit.pose)
    normals = vertex_normals(vertices, shape.triangles)
    edges = find_edges(volume, vertices, normals, step.search)
    cap = min(step.search.cap_hu, step.search.ceiling_hu)
    strength = np.clip((edges.step_hu / cap - 0.2) / 0.5, 0.0, 1.0)
    near = 1.0 / (1.0 + (edges.shift_mm / (0.5 * step.search.reach_mm)) ** 2)
    confidence = weight * strength * near * (1.0 if trust is None else trust(vertices))
    pose, change = _solve(shape, fit.pose, weights, vertices, normals, edges.shift_mm, confidence, step)
    limited = np.clip(weights + change, -MODE_LIMIT_SD, MODE_LIMIT_SD) if step.modes else fit.weights_sd
    return ShapeFit(pose, limited, edges.step_hu)


def _solve(
    shape: DeformableShape,
    pose: Pose,
    weights_sd: Array,
    vertices: Array,
    normals: Array,
    shift_mm: Array,
    confidence: Array,
    step: FitRound,
) -> tuple[Pose, Array]:
    """Least squares of ``n . (dT + dR x r + ds r + modes dz) = shift`` with a prior on the weights."""
    center = vertices.mean(axis=0)
    lever = vertices - center
    columns = [normals, np.cross(lever, normals)]
    columns.append(np.einsum("ij,ij->i", normals, lever)[:, None] * float(step.free_scale))
    if step.modes:
        moved = pose.scale * shape.modes[: step.modes] @ pose.rotation.T
        columns.append(np.einsum("kij,ij->ik", moved, normals))
    matrix = np.concatenate(columns, axis=1)
    weighted = matrix * confidence[:, None]
    total = float(confidence.sum()) + 1e-9
    normal_matrix = weighted.T @ matrix
    right_side = weighted.T @ shift_mm
    # hardly any pull on the pose, only enough to keep the system solvable
    damping = np.array([1e-6] * 3 + [1e-4] * 3 + [1e-4 if step.free_scale else 1e6] + [step.prior] * step.modes) * total
    right_side[7:] -= step.prior * total * weights_sd[: step.modes]
    solution = np.linalg.solve(normal_matrix + np.diag(damping), right_side)
    return _moved(pose, center, solution[:3], solution[3:6], float(solution[6])), solution[7:]


def _moved(pose: Pose, center: Array, shift: Array, turn: Array, growth: float) -> Pose:
    """The pose after a small turn (rotation vector, radians), growth and shift about a centre."""
    rotation = Rotation.from_rotvec(turn).as_matrix()
    scale = 1.0 + growth
    translation = scale * rotation @ (pose.translation_mm - center) + center + shift
    return replace(pose, rotation=rotation @ pose.rotation, translation_mm=translation, scale=pose.scale * scale)
