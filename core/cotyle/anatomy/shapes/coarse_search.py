"""Where in the scan is a pelvis, and roughly how does it lie?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import irfftn, next_fast_len, rfftn
from scipy.ndimage import gaussian_filter

from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.image.pyramid import block_mean, upright
from cotyle.image.rasterize import inside_mask
from cotyle.image.sampling import AIR_HU
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere, fit_sphere_robust
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side

GRID_MM = 5.0
TILTS_DEG = (-20.0, -10.0, 0.0, 10.0, 20.0)
SCALES = (0.93, 1.03)
# Obliquity and rotation are tried at the best tilt alone.
TURNS_DEG = (-10.0, 10.0)
# Density at which a block of 5 mm begins to look like bone, and the span to certainty; HU.
_BONE_FROM_HU, _BONE_SPAN_HU = 90.0, 150.0
# Bone is told from soft tissue by standing out of its surroundings: blur of 4 voxels is taken away.
_SURROUND_VOXELS = 4.0


@dataclass(frozen=True, eq=False)
class Pose:
    """A similarity that takes model points to LPS mm: ``scale * rotation @ point + translation``."""

    rotation: Array
    translation_mm: Array
    scale: float

    def apply(self, points_mm: npt.ArrayLike) -> Array:
        """Return LPS mm of model points (n, 3)."""
        return np.asarray(self.scale * np.asarray(points_mm, dtype=float) @ self.rotation.T + self.translation_mm)


@dataclass(frozen=True)
class CoarseFind:
    """The best pose of the mean pelvis and its normalised correlation with the scan, -1 to 1."""

    pose: Pose
    correlation: float


def find_pelvis(volume: Volume, model: ShapeModel) -> CoarseFind:
    """Slide the mean pelvis through the scan at several tilts and sizes and return the best match.

    The scan's LPS directions are trusted: no pelvis is looked for upside down or turned by more than about
    25 degrees.
    """
    scan = upright(block_mean(volume, GRID_MM), GRID_MM, AIR_HU)
    bone = _standing_out(np.clip((scan.voxels - _BONE_FROM_HU) / _BONE_SPAN_HU, 0.0, 1.0))
    transforms: dict[tuple[int, ...], npt.NDArray[np.complex64]] = {}

    def slid(rotation: Array, scale: float) -> CoarseFind:
        return _slide(bone, scan, model, Pose(rotation, np.zeros(3), scale), transforms)

    # a right-hand turn about left leans the pelvis forward
    tilted = [slid(rotation_matrix((1.0, 0.0, 0.0), tilt), scale) for tilt in TILTS_DEG for scale in SCALES]
    best = max(tilted, key=lambda find: find.correlation)
    turned = [
        slid(rotation_matrix(axis, turn) @ best.pose.rotation, best.pose.scale)
        for axis in ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        for turn in TURNS_DEG
    ]
    return max([best, *turned], key=lambda find: find.correlation)


def _slide(
    bone: npt.NDArray[np.float32],
    scan: Volume,
    model: ShapeModel,
    pose: Pose,
    transforms: dict[tuple[int, ...], npt.NDArray[np.complex64]],
) -> CoarseFind:
    template, corner_mm = _template(model, pose)
    shape = tuple(next_fast_len(a + b - 1, real=True) for a, b in zip(bone.shape, template.shape, strict=True))
    if shape not in transforms:
        transforms[shape] = rfftn(bone, shape, workers=-1)
    product = transforms[shape] * np.conj(rfftn(template, shape, workers=-1))
    score = irfftn(product, shape, workers=-1)
    # a shift may be negative: the template may begin before the scan does
    flat = int(np.argmax(score))
    shift = np.array(np.unravel_index(flat, shape))
    shift = np.where(shift >= np.array(bone.shape), shift - np.array(shape), shift)
    translation = scan.ijk_to_lps[:3, 3] + GRID_MM * shift[::-1] - corner_mm
    norm = float(np.linalg.norm(template) * np.linalg.norm(bone))
    return CoarseFind(Pose(pose.rotation, translation, pose.scale), float(score.flat[flat]) / max(norm, 1e-9))


def _template(model: ShapeModel, pose: Pose) -> tuple[npt.NDArray[np.float32], Array]:
    """Voxels of the mean bones at a pose, and the LPS mm of their first voxel."""
    bones = [model.pelvis(np.zeros(1)), *(seated_femur(model, side) for side in Side)]
    bones = [bone.with_vertices(pose.apply(bone.vertices_lps_mm)) for bone in bones]
    margin = 4.0 * GRID_MM
    low = bones[0].bounds_lps_mm[0] - margin
    size = np.ceil((bones[0].bounds_lps_mm[1] + margin - low) / GRID_MM).astype(int)
    affine = np.diag([GRID_MM, GRID_MM, GRID_MM, 1.0])
    affine[:3, 3] = low
    grid = Volume(np.zeros(size[::-1], dtype=np.uint8), affine)
    filled = np.zeros(size[::-1], dtype=np.float32)
    for bone in bones:
        mask, window = inside_mask(bone, grid)
        filled[window][mask] = 1.0
    return _standing_out(filled), low


def seated_femur(model: ShapeModel, side: Side) -> TriangleMesh:
    """The mean femur moved so that the centre of its head is that of the mean socket."""
    femur = model.femur(np.zeros(1), side)
    head, _ = fit_sphere(femur.vertices_lps_mm[model.head_vertices])
    socket, _ = fit_sphere_robust(model.pelvis_mean[model.lunate_vertices[side]])
    return femur.with_vertices(femur.vertices_lps_mm + socket.center_lps_mm - head.center_lps_mm)


def _standing_out(bone: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
    return np.asarray(bone - gaussian_filter(bone, _SURROUND_VOXELS), dtype=np.float32)
