"""The truth of a synthetic scan: surfaces, landmarks, spheres and labels, in the scanner's LPS millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from cotyle.anatomy.pelvis import Posture
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere
from cotyle.space.frames import Frame, frame_from_left_and_superior
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import transform_points
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample.bone_matter import BoneMatter, Osteopenia, matter_of
from cotyle_sample.hip_replacements import TrueCup
from cotyle_sample.implants import Implant
from cotyle_sample.subject import Subject, touching_landmarks
from cotyle_sample.worn_density import Cyst

if TYPE_CHECKING:
    from cotyle_sample.scanner import PlacedSubject


@dataclass(frozen=True, eq=False)
class Truth:
    """What was put into a scan; everything comes from the surfaces, nothing from the voxels.

    surfaces: bone -> closed surface, LPS mm (the femora run on beyond the lower end of the scan).
    landmarks: name -> (3,). ``asis`` and ``pubic_tubercle`` are the points of the surface that one plane in front
    touches (searched within 15 mm of the carried vertex); ``hip_center`` is the centre of the lunate sphere; all
    others are vertices carried by the shape model (rules in ``cotyle.anatomy.shapes.shape_landmarks``).
    app: frame of the touching landmarks. sockets: sphere fitted to the lunate surface; heads: femoral heads.
    lunate_points, fossa_points, rim_points: (n, 3) by side; the rim is ordered and open at the notch.
    labels: label map on the scan's grid, by voxel centres. matter: cortical thickness and densities by vertex.
    metal_cups: artificial cups by side: sphere of the outside, axis out of the mouth, loose or not; the socket of that
    side is then the bony bed. A worn socket's sphere is that of its lunate surface where it is not worn; cysts: those
    of worn hips. false_sockets: sphere of the hollow in the ilium, by side, where a head lies outside its socket;
    ``sockets`` then holds the true one. implants: parts of a hip replacement; spine: simple L5 and L4 without a label.
    bare_surfaces: hip bones without the spurs that grew beside their landmarks; the landmarks are those of these.
    """

    subject: Subject
    posture: Posture
    surfaces: Mapping[str, TriangleMesh]
    landmarks: Mapping[str, Array]
    app: Frame
    sockets: Mapping[Side, Sphere]
    heads: Mapping[Side, Sphere]
    lunate_points: Mapping[Side, Array]
    fossa_points: Mapping[Side, Array]
    rim_points: Mapping[Side, Array]
    labels: Volume
    bone_density: float | Osteopenia
    implants: tuple[Implant, ...] = ()
    spine: tuple[TriangleMesh, ...] = ()
    scenario: str = ""
    metal_cups: Mapping[Side, TrueCup] = field(default_factory=dict)
    cysts: tuple[Cyst, ...] = ()
    bare_surfaces: Mapping[str, TriangleMesh] = field(default_factory=dict)
    false_sockets: Mapping[Side, Sphere] = field(default_factory=dict)

    def matter(self, bone: str) -> BoneMatter:
        """Cortical thickness, cortical and trabecular density at the vertices of a bone's surface."""
        return matter_of(self.subject, bone, self.bone_density)

    def labels_on(self, grid: Volume) -> Volume:
        """The label map (uint8) on any other grid."""
        labels = label_map(self.surfaces, grid)
        for part in self.implants:
            inside, window = inside_mask(part.mesh, grid)
            part.mark(labels.voxels[window], inside)
        return labels


def label_map(surfaces: Mapping[str, TriangleMesh], grid: Volume) -> Volume:
    """Voxels of any grid by the bone that holds their centre."""
    labels = np.zeros(grid.voxels.shape, dtype=np.uint8)
    for name, mesh in surfaces.items():
        inside, window = inside_mask(mesh, grid)
        labels[window][inside] = LABEL_OF_BONE[name]
    return Volume(labels, grid.ijk_to_lps)


def truth_of(placed: PlacedSubject, labels: Volume, posture: Posture, bone_density: float | Osteopenia) -> Truth:
    """Truth of a placed subject."""
    subject = placed.subject
    model = subject.model
    vertices = transform_points(placed.pelvis_to_lps, subject.pelvis_vertices)
    touching, _, _ = touching_landmarks(model, subject.pelvis_vertices)
    landmarks = model.landmarks(vertices)
    landmarks |= {name: transform_points(placed.pelvis_to_lps, point) for name, point in touching.items()}
    sockets = {side: fit_sphere(vertices[model.lunate_vertices[side]])[0] for side in Side}
    for side in (*subject.worn, *subject.displaced):
        sockets[side] = placed.joints()[side]
    heads = {
        side: Sphere(transform_points(placed.femur_to_lps[side], sphere.center_lps_mm), sphere.radius_mm)
        for side, sphere in subject.heads.items()
    }
    landmarks |= {f"hip_center_{side}": sphere.center_lps_mm for side, sphere in sockets.items()}
    asis = landmarks["asis_left"], landmarks["asis_right"]
    tubercles = 0.5 * (landmarks["pubic_tubercle_left"] + landmarks["pubic_tubercle_right"])
    middle = 0.5 * (asis[0] + asis[1])
    app = frame_from_left_and_superior("app", middle, asis[0] - asis[1], middle - tubercles)
    return Truth(
        subject,
        posture,
        placed.bones,
        landmarks,
        app,
        sockets,
        heads,
        {side: vertices[model.lunate_vertices[side]] for side in Side},
        {side: vertices[model.fossa_vertices[side]] for side in Side},
        {side: vertices[model.rim_vertices[side]] for side in Side},
        labels,
        bone_density,
        placed.implants,
        placed.spine,
        metal_cups=_placed_cups(placed),
        bare_surfaces={name: mesh.transformed(placed.pelvis_to_lps) for name, mesh in subject.bare_bones.items()},
        false_sockets={
            side: Sphere(transform_points(placed.pelvis_to_lps, hollow.center_lps_mm), hollow.radius_mm)
            for side, hollow in subject.false_sockets.items()
        },
    )


def _placed_cups(placed: PlacedSubject) -> dict[Side, TrueCup]:
    """Artificial cups in scanner LPS; they move with the pelvis."""
    pelvis = placed.pelvis_to_lps
    return {
        side: replace(
            cup,
            sphere=Sphere(transform_points(pelvis, cup.sphere.center_lps_mm), cup.sphere.radius_mm),
            opening_axis=pelvis[:3, :3] @ cup.opening_axis,
        )
        for side, cup in placed.subject.metal_cups.items()
    }
