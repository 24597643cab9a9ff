"""The scan: a subject laid into the gantry in a posture, and the CT numbers the scanner would give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.pelvis import Posture, app_axes_from_angles
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import transform_points
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample.acquisition import USUAL_SCANNER, Scanner, acquire, layered
from cotyle_sample.bone_islands import BoneIsland, lay_islands
from cotyle_sample.bone_matter import BoneMatter, Osteopenia, lay_bone, matter_of, noise_tile, thinned
from cotyle_sample.bony_bridge import lay_bridge
from cotyle_sample.distances import surface_distance
from cotyle_sample.implants import Implant
from cotyle_sample.lumbar import lumbar_vertebrae, vertebral_matter
from cotyle_sample.streaks import add_streaks
from cotyle_sample.subject import NEUTRAL_TILT_DEG, Subject
from cotyle_sample.tissue import USUAL_ORGANS, Organs, lay_tissue, surrounding_tissue
from cotyle_sample.truth import Truth, truth_of
from cotyle_sample.wear import rest_worn_hips
from cotyle_sample.worn_density import lay_wear, worn_contacts

LEVEL = Posture(NEUTRAL_TILT_DEG, 0.0, 0.0)
PELVIS_ORIGIN_LPS_MM = np.array([4.0, -62.0, -180.0])
"""Where the midpoint of the ASIS lies in the scanner (isocentre at x = y = 0; the table position sets z)."""


@dataclass(frozen=True, eq=False)
class PlacedSubject:
    """Bones in the scanner, LPS mm, and the 4x4 that brought the pelvis there from its app frame."""

    subject: Subject
    pelvis_to_lps: Array
    body_to_lps: Array
    bones: Mapping[str, TriangleMesh]
    femur_to_lps: Mapping[Side, Array]
    implants: tuple[Implant, ...]
    spine: tuple[TriangleMesh, ...]

    def joints(self) -> dict[Side, Sphere]:
        """Socket spheres in scanner LPS."""
        return {
            side: Sphere(transform_points(self.pelvis_to_lps, sphere.center_lps_mm), sphere.radius_mm)
            for side, sphere in self.subject.sockets.items()
        }


def place(subject: Subject, posture: Posture) -> PlacedSubject:
    """Lay a subject into the scanner.

    The pelvis takes the posture. The femora turn with the body (rotation, obliquity) but stay on the table when
    the pelvis tilts: the hips bend by the difference from the neutral tilt.
    """
    pelvis = _rigid(app_axes_from_angles(posture).T, np.zeros(3), PELVIS_ORIGIN_LPS_MM)
    level = Posture(NEUTRAL_TILT_DEG, posture.rotation_to_left_deg, posture.left_up_deg)
    body = Posture(0.0, posture.rotation_to_left_deg, posture.left_up_deg)
    body_to_lps = _rigid(app_axes_from_angles(body).T, np.zeros(3), PELVIS_ORIGIN_LPS_MM)
    bones: dict[str, TriangleMesh] = {}
    femur_to_lps: dict[Side, Array] = {}
    for side in Side:
        # a hip turns about its head; an artificial or a worn one may have moved away from the middle of its bed
        turns_by_head = side in subject.metal_cups or side in subject.worn or side in subject.displaced
        joint = subject.heads[side] if turns_by_head else subject.sockets[side]
        center = joint.center_lps_mm
        target = pelvis[:3, :3] @ center + pelvis[:3, 3]
        femur_to_lps[side] = _rigid(app_axes_from_angles(level).T, center, target)
    for name, mesh in subject.bones.items():
        if name.endswith("femur"):
            bones[name] = mesh.transformed(femur_to_lps[Side(name.split("_")[0])])
        else:
            bones[name] = mesh.transformed(pelvis)
    rest_worn_hips(subject, bones)
    implants = tuple(
        replace(
            part,
            mesh=part.mesh.transformed(
                femur_to_lps[Side(part.moves_with.split("_")[0])] if part.moves_with.endswith("femur") else pelvis
            ),
        )
        for part in subject.implants
    )
    spine = tuple(mesh.transformed(pelvis) for mesh in lumbar_vertebrae(subject))
    return PlacedSubject(subject, pelvis, body_to_lps, bones, femur_to_lps, implants, spine)


def _rigid(rotation: Array, about: Array, to: Array) -> Array:
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = to - rotation @ about
    return matrix


def scan(
    subject: Subject,
    posture: Posture = LEVEL,
    voxel_mm: tuple[float, float, float] = (0.8, 0.8, 1.0),
    size: tuple[int, int, int] | None = None,
    noise_hu: float = 22.0,
    seed: int = 0,
    scanner: Scanner = USUAL_SCANNER,
    bone_density: float | Osteopenia = 1.0,
    hu_ceiling: int | None = None,
    streak_strength: float = 1.0,
    across_mm: float = 409.6,
    more_fat_mm: float = 0.0,
    organs: Organs = USUAL_ORGANS,
    islands: tuple[BoneIsland, ...] = (),
) -> tuple[Volume, Truth]:
    """Scan a subject.

    Parameters
    ----------
    posture:
        Of the pelvis in the gantry.
    voxel_mm:
        Spacing along i, j, k.
    size:
        Voxels along i, j, k; by default ``across_mm`` across (512 at 0.8 mm) and from above the iliac crests to
        below the lesser trochanters.
    noise_hu:
        Standard deviation of the noise after the blur, in the middle of the body; half of it in air.
    bone_density:
        1 for healthy bone, less for thinner and emptier bone; or how far osteopenia has gone.
    scanner:
        Kernel, thickness of slices, starved rays.
    hu_ceiling:
        Where the numbers end: 3071 for a scanner that stores 12 bits, None for the extended scale.
    streak_strength:
        Scales the streaks of metal.
    across_mm:
        Width of the field of view where ``size`` is not given.
    more_fat_mm:
        Fat under the skin, beyond the usual.
    organs, islands:
        Contrast medium in bladder and bowel; bone in the soft parts.

    Returns
    -------
    volume, truth
        int16 HU in scanner LPS; surfaces, landmarks and labels in the same coordinates.
    """
    placed = place(subject, posture)
    slices = scan_grid(placed, np.asarray(voxel_mm, dtype=np.float64), size, across_mm)
    grid = layered(slices, scanner.layers)
    edge_mm = float(np.mean(grid.spacing_mm))
    tissue = surrounding_tissue(placed.bones, placed.body_to_lps, placed.joints(), grid, seed, more_fat_mm, organs)
    hu = np.empty(grid.voxels.shape, dtype=np.float32)
    lay_tissue(hu, grid, tissue)
    lay_islands(hu, grid, islands, placed.joints(), placed.bones)
    labels = _lay_bones(hu, grid, placed, edge_mm, bone_density)
    cysts = lay_wear(hu, grid, labels, worn_contacts(placed))
    _lay_implants(hu, grid, placed, labels, edge_mm, seed, streak_strength)
    voxels = acquire(hu, grid.spacing_mm, scanner, noise_hu, seed)
    if hu_ceiling is not None:
        np.minimum(voxels, np.int16(hu_ceiling), out=voxels)
    truth = truth_of(placed, Volume(labels, grid.ijk_to_lps), posture, bone_density)
    if scanner.layers > 1:
        truth = replace(truth, labels=truth.labels_on(slices))
    return Volume(voxels, slices.ijk_to_lps), replace(truth, cysts=cysts)


def scan_grid(
    placed: PlacedSubject, voxel_mm: Array, size: tuple[int, int, int] | None, across_mm: float = 409.6
) -> Volume:
    """Empty grid in scanner LPS: x and y centred on the isocentre, z from below the lesser trochanters up."""
    hips = [placed.bones[f"{side}_hip_bone"].bounds_lps_mm for side in Side]
    top = max(high[2] for _, high in hips) + 14.0
    if size is None:
        bottom = min(low[2] for low, _ in hips) - 55.0
        across = round(across_mm / voxel_mm[0]), round(across_mm / voxel_mm[1])
        size = (across[0], across[1], int(np.ceil((top - bottom) / voxel_mm[2])))
    affine = np.diag([*voxel_mm, 1.0])
    affine[:2, 3] = -0.5 * (np.array(size[:2]) - 1) * voxel_mm[:2]
    affine[2, 3] = top - (size[2] - 1) * voxel_mm[2]
    # A view of one byte stands for the grid; nothing is allocated.
    return Volume(np.broadcast_to(np.uint8(0), size[::-1]), affine)


def _lay_bones(
    hu: npt.NDArray[np.float32], grid: Volume, placed: PlacedSubject, edge_mm: float, density: float | Osteopenia
) -> npt.NDArray[np.uint8]:
    """Write all bones into the HU values; return their label map."""
    labels = np.zeros(hu.shape, dtype=np.uint8)
    texture = noise_tile(placed.subject.seed, 1.1)
    band_mm = max(1.2, 0.75 * edge_mm)
    for mesh in placed.spine:
        found = surface_distance(mesh, grid, band_mm)
        if found is not None:
            lay_bone(
                hu,
                found,
                mesh.triangles,
                thinned(vertebral_matter(mesh), density),
                texture,
                55.0,
                grid.spacing_mm,
                edge_mm,
            )
    for name, mesh in placed.bones.items():
        found = surface_distance(mesh, grid, band_mm)
        if found is None:
            continue
        matter: BoneMatter = matter_of(placed.subject, name, density)
        lay_bone(hu, found, mesh.triangles, matter, texture, 55.0, grid.spacing_mm, edge_mm)
        labels[found.window][found.inside] = LABEL_OF_BONE[name]
    for side in placed.subject.fused_sacroiliac:
        hip_bone = placed.bones[f"{side}_hip_bone"]
        lay_bridge(hu, grid, hip_bone, placed.bones["sacrum"], texture, placed.subject.seed)
    return labels


def _lay_implants(
    hu: npt.NDArray[np.float32],
    grid: Volume,
    placed: PlacedSubject,
    labels: npt.NDArray[np.uint8],
    edge_mm: float,
    seed: int,
    streak_strength: float,
) -> None:
    """Write implants into HU values and labels, then the streaks of their metal."""
    metal_hu = np.zeros(hu.shape if placed.implants else (0, 0, 0), dtype=np.float32)
    for implant in placed.implants:
        found = surface_distance(implant.mesh, grid, max(1.2, 0.75 * edge_mm))
        if found is None:
            continue
        share = np.clip(0.5 - found.distance_mm / edge_mm, 0.0, 1.0)
        part = hu[found.window]
        part += (implant.hu - part) * share
        implant.mark(labels[found.window], found.inside)
        if implant.is_metal:
            metal_hu[found.window][found.inside] = implant.hu
    if len(metal_hu):
        add_streaks(hu, metal_hu, grid.spacing_mm, np.random.default_rng([seed, 8]), streak_strength)
