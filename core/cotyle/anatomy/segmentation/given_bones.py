"""Bones from a label map that the user brings, with the same surfaces and signals as our own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import SimpleITK as sitk
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkFiltersCore import vtkFlyingEdges3D, vtkQuadricDecimation, vtkWindowedSincPolyDataFilter

from cotyle.anatomy.metal.replaced_hips import cups_with_beds, find_replaced_hips, parts_of_metal
from cotyle.anatomy.segmentation.bones import Bones, Progress, blur_of_bones, segment_bones
from cotyle.anatomy.segmentation.clear_spread import clear_spread
from cotyle.anatomy.segmentation.edge_confidence import judge_edges
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.surface_fit import settle_surface
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS, LABEL_OF_BONE
from cotyle.image.metal import Metal, find_metal
from cotyle.image.sitk_bridge import from_sitk, to_sitk
from cotyle.image.volume import Volume
from cotyle.space.arrays import IntArray
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import from_polydata, to_polydata
from cotyle.space.side import Side

NEEDED = ("left_hip_bone", "right_hip_bone")
# Holes and loose pieces smaller than this are specks, ml.
LEAST_FLAW_ML = 0.1
# Triangles kept on a bone: edges of about 2 mm on a hip bone, a little shorter than on our own surfaces.
TRIANGLES = 24_000
_MORE_TRIANGLES = (1.0, 1.3, 1.7, 2.5)
# A drawn surface follows the scan by at most this many voxels.
SETTLED_VOXELS = 0.75
# Densities with which a label map poses as a scan for the shape model's fit; any step does.
_BONE_HU, _SOFT_HU = 900, 0
_SMOOTHING_ROUNDS, _PASS_BAND = 20, 0.12


def bones_from_labels(volume: Volume, labels: Volume, progress: Progress = lambda _: None) -> Bones:
    """Return the bones of a user's label map.

    The shape model is fitted to the labels alone, to carry landmarks; the surfaces are those of the labels,
    moved by less than a voxel to the edge of bone in the scan where it shows one.

    Parameters
    ----------
    volume, labels:
        CT in HU, and uint8 numbers of ``BONE_LABELS`` on the same grid.

    Raises
    ------
    InputError
        ``label-missing`` if a hip bone is not among the labels.
    """
    missing = [name for name in NEEDED if not (labels.voxels == LABEL_OF_BONE[name]).any()]
    if missing:
        raise InputError("label-missing", f"the label map holds no {' and no '.join(missing)}", "Check its name table")
    progress("reading the label map")
    filled = fill_interiors(labels)
    is_bone = (filled.voxels > 0) & (filled.voxels != LABEL_OF_BONE["metal"])
    posing = labels.with_voxels(np.where(is_bone, _BONE_HU, _SOFT_HU).astype(np.int16))
    fitted = segment_bones(posing, progress)
    found = fitted.correspondence
    blur = blur_of_bones(volume, TriangleMesh(found.pelvis_lps_mm, found.model.pelvis_triangles), found.femora)
    metal = find_metal(volume)
    drawn = {
        name: drawn_surface(volume, filled, number, blur, metal)
        for number, name in BONE_LABELS.items()
        if name != "metal" and (filled.voxels == number).any()
    }
    surfaces = {**fitted.surfaces, **drawn}
    model, pelvis = found.model, found.pelvis_lps_mm
    replaced = find_replaced_hips(
        volume, metal, {side: pelvis[model.lunate_vertices[side]].mean(axis=0) for side in Side}
    )
    return Bones(
        filled,
        surfaces,
        replace(found, blur=blur),
        metal,
        "given",
        label_flaws(labels, filled),
        metal_cups=cups_with_beds(replaced, model, pelvis),
        metal_parts=parts_of_metal(volume, metal, replaced),
        edges=judge_edges(
            volume, surfaces, metal.belief if metal else None, frozenset(drawn), clear_spread(surfaces, blur)
        ),
    )


def drawn_surface(volume: Volume, labels: Volume, number: int, blur: Blur, metal: Metal | None) -> TriangleMesh:
    """Return the surface of one label, moved to the edge of bone where the scan shows one nearby.

    A label's edge is known to half a voxel. What lies farther off is another edge than the one that was drawn, and is
    not given in to.
    """
    rough = surface_of_label(labels, number)
    trust = metal.belief if metal else None
    settled, _ = settle_surface(volume, rough.vertices_lps_mm, rough.triangles, blur, trust)
    way = settled - rough.vertices_lps_mm
    most_mm = SETTLED_VOXELS * float(labels.spacing_mm.max())
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-9)
    return TriangleMesh(
        rough.vertices_lps_mm + np.minimum(1.0, most_mm / length)[:, None] * way,
        rough.triangles,
    )


def label_flaws(labels: Volume, filled: Volume) -> tuple[str, ...]:
    """Say what is wrong with a label map: enclosed holes (filled) and loose pieces (no part of the surfaces)."""
    flaws = []
    for number, name in BONE_LABELS.items():
        bone = filled.voxels == number
        if name == "metal" or not bone.any():
            continue
        words = name.replace("_", " ")
        holes_ml = np.count_nonzero(bone & (labels.voxels != number)) * labels.voxel_volume_mm3 / 1000.0
        if holes_ml > LEAST_FLAW_ML:
            flaws.append(f"the {words} had {holes_ml:.1f} ml of holes in its label, which were filled")
        pieces = sitk.RelabelComponent(sitk.ConnectedComponent(to_sitk(labels.with_voxels(bone.astype(np.uint8)))))
        loose_ml = np.count_nonzero(sitk.GetArrayViewFromImage(pieces) > 1) * labels.voxel_volume_mm3 / 1000.0
        if loose_ml > LEAST_FLAW_ML:
            flaws.append(
                f"{loose_ml:.1f} ml of the label of the {words} lies apart from the rest and is not part of it"
            )
    return tuple(flaws)


def fill_interiors(labels: Volume) -> Volume:
    """Return the label map with enclosed holes of each bone filled; a voxel that has a label keeps it."""
    voxels = np.array(labels.voxels, dtype=np.uint8)
    for number, name in BONE_LABELS.items():
        kji = np.argwhere(voxels == number)
        if name == "metal" or len(kji) == 0:
            continue
        low, high = kji.min(axis=0) - 1, kji.max(axis=0) + 2
        part = labels.cropped(low[::-1], high[::-1])
        holes = sitk.BinaryFillhole(to_sitk(part.with_voxels((part.voxels == number).astype(np.uint8))))
        start = np.maximum(low, 0)
        window = tuple(slice(s, s + n) for s, n in zip(start, part.voxels.shape, strict=True))
        empty = (voxels[window] == 0) & (from_sitk(holes).voxels > 0)
        voxels[window][empty] = number
    return labels.with_voxels(voxels)


def surface_of_label(labels: Volume, number: int) -> TriangleMesh:
    """Return the closed, smoothed surface of the largest piece of one label, LPS mm."""
    image = to_sitk(labels.with_voxels((labels.voxels == number).astype(np.uint8)))
    largest = from_sitk(sitk.RelabelComponent(sitk.ConnectedComponent(image)) == 1)
    kji = np.argwhere(largest.voxels)
    part = np.pad(
        largest.voxels[tuple(slice(a, b) for a, b in zip(kji.min(axis=0), kji.max(axis=0) + 1, strict=True))], 2
    )
    corner = kji.min(axis=0)[::-1] - 2
    grid = vtkImageData()
    grid.SetDimensions(*part.shape[::-1])
    grid.GetPointData().SetScalars(numpy_to_vtk(part.ravel().astype(np.float32), deep=True))
    contour = vtkFlyingEdges3D()
    contour.SetInputData(grid)
    contour.SetValue(0, 0.5)
    contour.ComputeNormalsOff()
    smooth = vtkWindowedSincPolyDataFilter()
    smooth.SetInputConnection(contour.GetOutputPort())
    smooth.SetNumberOfIterations(_SMOOTHING_ROUNDS)
    smooth.SetPassBand(_PASS_BAND)
    smooth.NormalizeCoordinatesOn()
    smooth.Update()
    mesh = _outward(from_polydata(smooth.GetOutput()), labels, corner)
    return _decimated(mesh)


def _outward(mesh: TriangleMesh, labels: Volume, corner_ijk: IntArray) -> TriangleMesh:
    moved = TriangleMesh(labels.to_lps(mesh.vertices_lps_mm + corner_ijk), mesh.triangles)
    return moved if moved.volume_mm3 > 0 else TriangleMesh(moved.vertices_lps_mm, moved.triangles[:, ::-1])


def _decimated(mesh: TriangleMesh) -> TriangleMesh:
    """As few triangles as leave the surface closed, from ``TRIANGLES`` up; the same surface if none does.

    Merging edges now and then pinches a surface somewhere; with a few more triangles it does not.
    """
    for count in (round(more * TRIANGLES) for more in _MORE_TRIANGLES):
        if len(mesh.triangles) <= count:
            break
        fewer = vtkQuadricDecimation()
        fewer.SetInputData(to_polydata(mesh))
        fewer.SetTargetReduction(1.0 - count / len(mesh.triangles))
        fewer.VolumePreservationOn()
        fewer.Update()
        result = from_polydata(fewer.GetOutput())
        if result.is_closed:
            return result
    return mesh
