"""What the bones are made of: cortical thickness, cortical and trabecular density at every surface vertex.

Values follow the anatomy literature as remembered (from memory, not looked up): cortex of the hip bone 1 to 3 mm,
thinnest in the acetabular floor; subchondral plate of the socket 1.5 to 2.5 mm; femoral neck 1.5 to 2.5 mm;
femoral shaft 4 to 7 mm; cortical bone 1100 to 1600 HU; trabecular bone 100 to 350 HU; fatty marrow -100 to 0 HU.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array
from cotyle.space.side import Side

from cotyle_sample.distances import SurfaceDistance
from cotyle_sample.shaping import smooth_random_field, smooth_values
from cotyle_sample.subject import Subject

TILE = 64


@dataclass(frozen=True)
class Osteopenia:
    """Thin cortex and empty marrow, as ranges over the surface of each bone; femoral shafts keep a share of theirs.

    Common practice, no source.
    """

    thickness_mm: tuple[float, float] = (0.6, 1.0)
    cortex_hu: tuple[float, float] = (500.0, 800.0)
    marrow_hu: tuple[float, float] = (-30.0, 80.0)
    shaft_share: float = 0.5


@dataclass(frozen=True, eq=False)
class BoneMatter:
    """Per vertex (n,): cortical thickness mm, cortical HU, trabecular (or marrow) HU beneath."""

    thickness_mm: Array
    cortex_hu: Array
    trabecular_hu: Array


def matter_of(subject: Subject, bone: str, density: float | Osteopenia = 1.0) -> BoneMatter:
    """Densities of one bone of a subject; ``density`` below 1 thins the cortex and empties the trabeculae."""
    mesh = subject.bones[bone]
    rng = np.random.default_rng([subject.seed, 4, len(bone), ord(bone[0])])
    wave = np.clip(smooth_random_field(mesh.vertices_lps_mm, 18.0, rng, 3), -1.6, 1.6)
    if bone.endswith("femur"):
        thickness, trabecular = _femur(subject, bone)
    elif bone == "sacrum":
        thickness, trabecular = np.full(len(wave), 1.7), np.full(len(wave), 165.0)
    else:
        thickness, trabecular = _hip_bone(subject, bone)
    thickness = thickness * subject.cortex_scale
    if isinstance(density, Osteopenia):
        return _osteopenic(thickness, trabecular, wave, density)
    cortex = 1290.0 + 45.0 * wave[:, 0]
    return BoneMatter(
        thickness * (1.0 + 0.10 * wave[:, 1]) * density,
        np.clip(cortex, 1150.0, 1350.0) * (0.6 + 0.4 * density),
        np.where(trabecular > 0.0, (trabecular + 20.0 * wave[:, 2]) * density**2, trabecular),
    )


def thinned(matter: BoneMatter, density: float | Osteopenia) -> BoneMatter:
    """Return the densities of a bone that knows no places of its own, thinned where there is osteopenia."""
    if not isinstance(density, Osteopenia):
        return matter
    return _osteopenic(matter.thickness_mm, matter.trabecular_hu, np.zeros((len(matter.cortex_hu), 3)), density)


def _osteopenic(thickness: Array, trabecular: Array, wave: Array, loss: Osteopenia) -> BoneMatter:
    """What is thick or dense in healthy bone lies high in the ranges; ``wave`` (n, 3) adds places of their own."""

    def ranged(healthy: Array, low: float, high: float, field: Array, ends: tuple[float, float]) -> Array:
        share = 0.7 * np.clip((healthy - low) / (high - low), 0.0, 1.0) + 0.3 * (0.5 + field / 3.2)
        return np.asarray(ends[0] + (ends[1] - ends[0]) * share)

    thin = ranged(thickness, 1.3, 2.5, wave[:, 1], loss.thickness_mm)
    # the wave spans 3.2, so that the cortex takes all of its range
    cortex = loss.cortex_hu[0] + (loss.cortex_hu[1] - loss.cortex_hu[0]) * (0.5 + wave[:, 0] / 3.2)
    marrow = ranged(trabecular, 120.0, 290.0, wave[:, 2], loss.marrow_hu)
    return BoneMatter(np.maximum(thin, loss.shaft_share * (thickness - 1.0) * (thickness > 2.5)), cortex, marrow)


def _hip_bone(subject: Subject, bone: str) -> tuple[Array, Array]:
    """Cortex 2.2 mm, floor 1.4, subchondral plate 2.3; trabeculae dense above the roof, poor in pubis and ischium."""
    side = Side(bone.split("_")[0])
    model = subject.model
    code = {Side.LEFT: 1, Side.RIGHT: 2}[side]
    number = np.cumsum(model.pelvis_component == code) - 1
    mesh = subject.bones[bone]
    thickness = np.full(len(mesh.vertices_lps_mm), 2.2)
    thickness[number[model.inner_wall_vertices[side]]] = 1.6
    thickness[number[model.fossa_vertices[side]]] = 1.4
    thickness[number[model.lunate_vertices[side]]] = 2.3
    thickness = smooth_values(mesh.triangles, thickness, 3)
    offset = mesh.vertices_lps_mm - subject.sockets[side].center_lps_mm
    near_roof = np.exp(-(((np.linalg.norm(offset, axis=1) - 24.0) / 18.0) ** 2)) * (offset[:, 2] > -5.0)
    trabecular = 205.0 + 75.0 * smooth_values(mesh.triangles, near_roof, 3)
    return thickness, trabecular - 30.0 * np.clip(-offset[:, 2] / 50.0, 0.0, 1.0)


def _femur(subject: Subject, bone: str) -> tuple[Array, Array]:
    """Thin plate on the head, thicker neck, thick shaft full of fatty marrow below the lesser trochanter."""
    head = subject.heads[Side(bone.split("_")[0])]
    points = subject.bones[bone].vertices_lps_mm
    below = head.center_lps_mm[2] - points[:, 2]
    on_head = np.clip((head.radius_mm + 5.0 - np.linalg.norm(points - head.center_lps_mm, axis=1)) / 5.0, 0.0, 1.0)
    thickness = np.interp(below, [0.0, 30.0, 50.0, 70.0, 100.0, 140.0], [1.9, 2.0, 2.6, 3.8, 5.2, 5.8])
    trabecular = np.interp(below, [0.0, 25.0, 45.0, 65.0, 85.0, 120.0], [165.0, 165.0, 150.0, 60.0, -45.0, -65.0])
    return thickness * (1 - on_head) + 1.8 * on_head, trabecular * (1 - on_head) + 280.0 * on_head


def noise_tile(seed: int, smoothing: float) -> npt.NDArray[np.float32]:
    """A periodic block (64, 64, 64) of smooth noise of unit variance."""
    rng = np.random.default_rng([seed, 5])
    spectrum = np.fft.rfftn(rng.standard_normal((TILE,) * 3))
    k = np.fft.fftfreq(TILE)
    squared = k[:, None, None] ** 2 + k[None, :, None] ** 2 + (np.fft.rfftfreq(TILE) ** 2)[None, None, :]
    block = np.fft.irfftn(spectrum * np.exp(-2.0 * (np.pi * smoothing) ** 2 * squared), s=(TILE,) * 3, axes=(0, 1, 2))
    return np.asarray(block / block.std(), dtype=np.float32)


def lay_bone(
    hu: npt.NDArray[np.float32],
    found: SurfaceDistance,
    triangles: npt.NDArray[np.int32],
    matter: BoneMatter,
    texture: npt.NDArray[np.float32],
    texture_hu: float,
    spacing_mm: Array,
    edge_mm: float,
) -> None:
    """Write one bone into HU values in place; partial volume by a ramp of width ``edge_mm`` across the surface."""
    values = np.column_stack([matter.thickness_mm, matter.cortex_hu, matter.trabecular_hu])
    per_triangle = values[triangles].mean(axis=1).astype(np.float32)
    _lay(hu[found.window], found.distance_mm, found.triangle, per_triangle, texture, texture_hu, spacing_mm, edge_mm)


@numba.njit(parallel=True, cache=True, fastmath=True)
def _lay(hu, distance, triangle, per_triangle, texture, texture_hu, spacing, edge):  # type: ignore[no-untyped-def]
    nk, nj, ni = distance.shape
    inner_edge = max(edge, 1.0)
    for k in numba.prange(nk):
        for j in range(nj):
            for i in range(ni):
                d = distance[k, j, i]
                n = triangle[k, j, i]
                if n < 0 or d > 0.5 * edge:
                    continue
                bone_share = min(1.0, 0.5 - d / edge)
                inner = min(1.0, max(0.0, 0.5 + (-d - per_triangle[n, 0]) / inner_edge))
                trabecular = per_triangle[n, 2]
                if inner > 0:
                    a = int(k * spacing[2] / 0.8) % 64
                    b = int(j * spacing[1] / 0.8) % 64
                    c = int(i * spacing[0] / 0.8) % 64
                    trabecular += texture_hu * texture[a, b, c] * min(1.0, max(0.25, trabecular / 200.0))
                bone = per_triangle[n, 1] * (1.0 - inner) + trabecular * inner
                hu[k, j, i] = hu[k, j, i] * (1.0 - bone_share) + bone * bone_share
