"""The open statistical shape model of pelvis and femur, read from its Python package.

Source: PyPI ``musculoskeletal-models`` 0.2.4 (Mozilla Public License 2.0), made from 26 CT scans for the GIAS3
project, Auckland Bioengineering Institute. The package is a plain dependency: nothing of it is copied here.
The model is joint: one set of weights shapes the pelvis with sacrum and the left femur together. A weight is
given in standard deviations of its mode.

Its data file is a pickle. It is opened only when its SHA-256 is the known one, and by an unpickler that admits
plain NumPy arrays and built-in containers alone.

Coordinates are LPS mm as the model has them: +x left, +y posterior, +z superior. The mean lies with about 5 deg
of obliquity and 10 deg of anterior tilt.
"""

from __future__ import annotations

import hashlib
import io
import pickle
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from cotyle.anatomy.shapes import shape_landmarks as rules
from cotyle.anatomy.shapes.shape_patches import PatchMesh, read_patch_mesh
from cotyle.errors import InputError
from cotyle.space.arrays import Array, IntArray
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh, vertex_normals
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

PACKAGE_FILE_SHA256 = "66b9d60beb800cfcd6b522af7ca32ebd22394202c33e7eaf10f717b5ae659477"
"""SHA-256 of ``LLP26_rigid.pc`` in musculoskeletal-models 0.2.4."""

PELVIS_NODES = slice(0, 1946)
LEFT_FEMUR_NODES = slice(1946, 2580)

COMPONENT_NAMES: dict[int, str] = {
    rules.LEFT_HIP: "left_hip_bone",
    rules.RIGHT_HIP: "right_hip_bone",
    rules.SACRUM: "sacrum",
}
"""Codes of :attr:`ShapeModel.pelvis_component`; the numbers are those of the bone labels."""


@dataclass(frozen=True, eq=False)
class ShapeModel:
    """Mean, modes and carried landmarks of the open shape model at one fineness of its patches.

    pelvis_mean (n, 3) and pelvis_modes (26, n, 3): LPS mm, modes in mm per standard deviation.
    pelvis_triangles (m, 3): closed surfaces, wound outwards. pelvis_component (n,): see COMPONENT_NAMES.
    femur_*: the same for the LEFT femur, under the same weights.
    landmark_vertices: landmark name -> pelvis vertices whose mean is the landmark.
    lunate_vertices, fossa_vertices, rim_vertices, inner_wall_vertices: by side, pelvis vertices; the rim runs
    from behind the notch over the roof to in front of it. head_vertices: femoral head (its sphere only).
    app_axes (3, 3): rows left, posterior, superior of the mean's anterior pelvic plane.
    """

    divisions: int
    pelvis_mean: Array
    pelvis_modes: Array
    pelvis_triangles: IntArray
    pelvis_component: npt.NDArray[np.int8]
    femur_mean: Array
    femur_modes: Array
    femur_triangles: IntArray
    landmark_vertices: Mapping[str, tuple[int, ...]]
    lunate_vertices: Mapping[Side, rules.IndexArray]
    fossa_vertices: Mapping[Side, rules.IndexArray]
    rim_vertices: Mapping[Side, rules.IndexArray]
    inner_wall_vertices: Mapping[Side, rules.IndexArray]
    head_vertices: rules.IndexArray
    app_axes: Array

    @property
    def mode_count(self) -> int:
        """Number of modes."""
        return len(self.pelvis_modes)

    def pelvis_vertices(self, weights_sd: npt.ArrayLike) -> Array:
        """Pelvis vertices (n, 3) for weights in standard deviations; missing ones are zero."""
        return self.pelvis_mean + np.tensordot(*self._weighted(weights_sd, self.pelvis_modes), axes=1)

    def femur_vertices(self, weights_sd: npt.ArrayLike) -> Array:
        """Left femur vertices (n, 3), in the same coordinates as the pelvis."""
        return self.femur_mean + np.tensordot(*self._weighted(weights_sd, self.femur_modes), axes=1)

    def pelvis(self, weights_sd: npt.ArrayLike) -> TriangleMesh:
        """All three pelvic bones as one closed surface mesh (vertex order of the model)."""
        return TriangleMesh(self.pelvis_vertices(weights_sd), self.pelvis_triangles)

    def femur(self, weights_sd: npt.ArrayLike, side: Side) -> TriangleMesh:
        """A femur: the left as modelled, the right as its mirror image about the pelvis' middle plane.

        The plane is the sagittal plane of the anterior pelvic plane of the same shape, through the midpoint of
        its carried ASIS. Vertices keep their order; the winding stays outward.
        """
        vertices = self.femur_vertices(weights_sd)
        if side is Side.LEFT:
            return TriangleMesh(vertices, self.femur_triangles)
        marks = self.landmarks(self.pelvis_vertices(weights_sd))
        left, right = marks["asis_left"], marks["asis_right"]
        mirror = _mirror(0.5 * (left + right), (left - right) / np.linalg.norm(left - right))
        return TriangleMesh(vertices, self.femur_triangles).transformed(mirror)

    def part(self, pelvis_vertices_lps_mm: Array, code: int) -> TriangleMesh:
        """One closed bone of a pelvis by its component code, with vertices renumbered in their order."""
        mask = self.pelvis_component[self.pelvis_triangles[:, 0]] == code
        return TriangleMesh(pelvis_vertices_lps_mm, self.pelvis_triangles).part(mask)

    def landmarks(self, pelvis_vertices_lps_mm: Array) -> dict[str, Array]:
        """Carried landmarks (3,) LPS mm of a pelvis with the model's vertex order."""
        return {
            name: pelvis_vertices_lps_mm[list(numbers)].mean(axis=0) for name, numbers in self.landmark_vertices.items()
        }

    @staticmethod
    def _weighted(weights_sd: npt.ArrayLike, modes: Array) -> tuple[Array, Array]:
        weights = np.atleast_1d(np.asarray(weights_sd, dtype=np.float64))
        if weights.ndim != 1 or len(weights) > len(modes) or not np.isfinite(weights).all():
            raise InputError("shape-weights", f"shape weights must be at most {len(modes)} finite numbers")
        return weights, modes[: len(weights)]


@cache
def load_shape_model(divisions: int = 10) -> ShapeModel:
    """Read the model and evaluate its patches with ``divisions`` steps along each edge (10: about 2 mm).

    Raises
    ------
    InputError
        ``shape-model`` if the package is missing or its file is not the known one.
    """
    folder = _package_folder()
    nodes_mean, nodes_modes = _read_components(folder / "shape_models" / "LLP26_rigid.pc")
    pelvis_patches = read_patch_mesh(folder / "atlas_meshes" / "pelvis_combined_cubic_flat.mesh", divisions)
    femur_patches = read_patch_mesh(folder / "atlas_meshes" / "femur_left_quartic_flat.mesh", divisions)
    pelvis_mean, pelvis_modes = _evaluate(pelvis_patches, nodes_mean, nodes_modes, PELVIS_NODES)
    femur_mean, femur_modes = _evaluate(femur_patches, nodes_mean, nodes_modes, LEFT_FEMUR_NODES)
    component = _name_components(pelvis_mean, pelvis_patches.triangles)

    head_vertices, head = _femoral_head(femur_mean, vertex_normals(femur_mean, femur_patches.triangles))
    geometry = _pelvis_geometry(pelvis_mean, pelvis_patches.triangles, component, head)
    seeds, axes = rules.tangent_plane_landmarks(geometry)
    regions = {side: rules.socket_regions(geometry, axes, side) for side in Side}
    marks: dict[str, tuple[int, ...]] = {name: (number,) for name, number in seeds.items()}
    marks |= rules.carried_landmarks(geometry, axes, regions)
    return ShapeModel(
        divisions,
        pelvis_mean,
        pelvis_modes,
        pelvis_patches.triangles,
        component,
        femur_mean,
        femur_modes,
        femur_patches.triangles,
        marks,
        {side: region.lunate for side, region in regions.items()},
        {side: region.fossa for side, region in regions.items()},
        {side: region.rim for side, region in regions.items()},
        {side: region.inner_wall for side, region in regions.items()},
        head_vertices,
        axes,
    )


class _PlainUnpickler(pickle.Unpickler):
    """Admits what a dict of numeric NumPy arrays needs and nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        """Resolve the three admitted names; raise UnpicklingError for any other."""
        if (module, name) == ("numpy", "ndarray"):
            return np.ndarray
        if (module, name) == ("numpy", "dtype"):
            return np.dtype
        if module in ("numpy.core.multiarray", "numpy._core.multiarray") and name == "_reconstruct":
            return np.empty(0).__reduce__()[0]
        raise pickle.UnpicklingError(f"{module}.{name} is not admitted in a shape model")


def read_plain_pickle(content: bytes) -> dict[str, Any]:
    """Unpickle a dict of plain arrays; UnpicklingError if it asks for anything else."""
    loaded = _PlainUnpickler(io.BytesIO(content)).load()
    if not isinstance(loaded, dict):
        raise pickle.UnpicklingError("the shape model is not a table of arrays")
    return loaded


def _package_folder() -> Path:
    remedy = "Install musculoskeletal-models==0.2.4"
    try:
        folder = Path(str(resources.files("musculoskeletal.models")))
    except ModuleNotFoundError as missing:
        raise InputError("shape-model", "the open shape model is not installed", remedy) from missing
    if not (folder / "shape_models" / "LLP26_rigid.pc").is_file():
        raise InputError("shape-model", "the open shape model's file is missing", remedy)
    return folder


def _read_components(file: Path) -> tuple[Array, Array]:
    """Mean nodes (n, 3) and modes (26, n, 3) in mm per standard deviation."""
    content = file.read_bytes()
    if hashlib.sha256(content).hexdigest() != PACKAGE_FILE_SHA256:
        raise InputError(
            "shape-model",
            "the open shape model's file is not the known one",
            "install musculoskeletal-models==0.2.4",
        )
    table = read_plain_pickle(content)
    mean = np.asarray(table["mean"], dtype=np.float64).reshape(3, -1).T
    modes = np.asarray(table["modes"], dtype=np.float64)
    deviations = np.sqrt(np.asarray(table["weights"], dtype=np.float64))  # the file holds variances
    scaled = (modes * deviations).T.reshape(len(deviations), 3, -1)
    return mean, np.ascontiguousarray(np.moveaxis(scaled, 1, 2))


def _evaluate(patches: PatchMesh, mean: Array, modes: Array, nodes: slice) -> tuple[Array, Array]:
    vertices = patches.evaluate(mean[nodes])
    moved = np.stack([patches.evaluate(mode[nodes]) for mode in modes])
    for array in (vertices, moved):
        array.setflags(write=False)
    return vertices, moved


def _name_components(vertices: Array, triangles: IntArray) -> npt.NDArray[np.int8]:
    """Which closed surface each vertex is on, named by position: from right to left right hip, sacrum, left hip."""
    rows = np.concatenate([triangles[:, 0], triangles[:, 1]])
    columns = np.concatenate([triangles[:, 1], triangles[:, 2]])
    graph = sparse.coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(vertices),) * 2)
    count, label = connected_components(graph, directed=False)
    if count != 3:
        raise InputError("shape-model", f"the pelvis has {count} closed surfaces, not three")
    order = np.argsort([vertices[label == number, 0].mean() for number in range(3)])
    codes = np.empty(3, dtype=np.int8)
    codes[order] = [rules.RIGHT_HIP, rules.SACRUM, rules.LEFT_HIP]
    return codes[label]


def _femoral_head(vertices: Array, normals: Array) -> tuple[rules.IndexArray, Sphere]:
    """Vertices on the sphere of the left femoral head (within 1.5 mm, normals along the radius), and the sphere.

    The start is the innermost 150 vertices of the top 60 mm.
    """
    upper = np.flatnonzero(vertices[:, 2] > vertices[:, 2].max() - 60.0)
    on_head: rules.IndexArray = upper[np.argsort(vertices[upper, 0])[:150]]
    sphere, _ = fit_sphere(vertices[on_head])
    for _ in range(10):
        offset = vertices - sphere.center_lps_mm
        distance = np.linalg.norm(offset, axis=1)
        along = np.einsum("ij,ij->i", offset, normals) / distance
        on_head = np.flatnonzero((np.abs(distance - sphere.radius_mm) < 1.5) & (along > 0.95))
        sphere, _ = fit_sphere(vertices[on_head])
    return on_head, sphere


def _pelvis_geometry(
    mean: Array, triangles: IntArray, component: npt.NDArray[np.int8], head: Sphere
) -> rules.PelvisGeometry:
    """Both head centres: the left from the femur, the right mirrored about the mean's own middle plane."""
    normals = vertex_normals(mean, triangles)
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    mirror[0, 3] = 2.0 * mean[component == rules.SACRUM, 0].mean()
    geometry = rules.PelvisGeometry(mean, normals, component, {})
    for _ in range(2):
        right = mirror[:3, :3] @ head.center_lps_mm + mirror[:3, 3]
        centers = {Side.LEFT: head.center_lps_mm, Side.RIGHT: right}
        geometry = rules.PelvisGeometry(mean, normals, component, centers)
        seeds, axes = rules.tangent_plane_landmarks(geometry)
        mirror = _mirror(0.5 * (mean[seeds["asis_left"]] + mean[seeds["asis_right"]]), axes[0])
    return geometry


def _mirror(point: Array, normal: Array) -> Array:
    """4x4 reflection in the plane through a point with a unit normal."""
    matrix = np.eye(4)
    matrix[:3, :3] -= 2.0 * np.outer(normal, normal)
    matrix[:3, 3] = 2.0 * (point @ normal) * normal
    return matrix
