"""Pelves for tests: draws from the open shape model with seated heads, and blocks of known geometry."""

from __future__ import annotations

from functools import cache

import numpy as np
from cotyle.anatomy.landmarks import AnatomySeeds, SocketSeeds
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, load_shape_model
from cotyle.space.fits import fit_sphere
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from scipy.ndimage import gaussian_filter, map_coordinates

from tests.space.solids import revolved

LEVEL = Frame("app", np.zeros(3), np.eye(3)[0], np.eye(3)[1], np.eye(3)[2])


@cache
def subject(seed: int, divisions: int = 7, size: float = 2.0):
    """Surfaces and carried seeds of one random pelvis, weights up to +-2 SD; heads made concentric with a 3 mm gap."""
    model = load_shape_model(divisions)
    weights = np.random.default_rng(seed).uniform(-size, size, 8)
    pelvis = model.pelvis_vertices(weights)
    surfaces = {name: model.part(pelvis, code) for code, name in COMPONENT_NAMES.items()}
    sockets = {}
    for side in Side:
        lunate, _ = fit_sphere(pelvis[model.lunate_vertices[side]])
        femur = model.femur(weights, side)
        head, _ = fit_sphere(femur.vertices_lps_mm[model.head_vertices])
        scale = (lunate.radius_mm - 3.0) / head.radius_mm
        seated = (femur.vertices_lps_mm - head.center_lps_mm) * scale + lunate.center_lps_mm
        surfaces[f"{side}_femur"] = femur.with_vertices(seated)
        sockets[side] = SocketSeeds(
            pelvis[model.lunate_vertices[side]],
            pelvis[model.fossa_vertices[side]],
            pelvis[model.rim_vertices[side]],
            seated[model.head_vertices],
        )
    return surfaces, AnatomySeeds(model.landmarks(pelvis), sockets)


def moved(surfaces, seeds, matrix, mirror=False):
    """Apply a 4x4 to surfaces and seeds; with ``mirror`` the names left and right change places."""

    def name_of(name: str) -> str:
        if not mirror:
            return name
        return name.replace("left", "LEFT").replace("right", "left").replace("LEFT", "right")

    def point(p):
        return np.asarray(p) @ matrix[:3, :3].T + matrix[:3, 3]

    return (
        {name_of(name): mesh.transformed(matrix) for name, mesh in surfaces.items()},
        AnatomySeeds(
            {name_of(name): point(p) for name, p in seeds.points_lps_mm.items()},
            {
                (side.opposite if mirror else side): SocketSeeds(
                    point(s.lunate), point(s.fossa), point(s.rim), point(s.head)
                )
                for side, s in seeds.sockets.items()
            },
        ),
    )


def turned(x_deg: float, y_deg: float, z_deg: float, shift=(0.0, 0.0, 0.0)) -> np.ndarray:
    """A rigid 4x4."""
    matrix = np.eye(4)
    matrix[:3, :3] = (
        rotation_matrix([1, 0, 0], x_deg) @ rotation_matrix([0, 1, 0], y_deg) @ rotation_matrix([0, 0, 1], z_deg)
    )
    matrix[:3, 3] = shift
    return matrix


def uneven(mesh: TriangleMesh, rng: np.random.Generator, rms_mm: float, length_mm: float = 6.0) -> TriangleMesh:
    """The surface with smooth random unevenness along its normals."""
    low, high = mesh.bounds_lps_mm
    shape = np.ceil((high - low + 40.0) / length_mm).astype(int) + 2
    field = gaussian_filter(rng.standard_normal(shape), 0.7)
    height = map_coordinates(field / field.std(), ((mesh.vertices_lps_mm - low + 20.0) / length_mm).T, order=3)
    return mesh.with_vertices(mesh.vertices_lps_mm + rms_mm * height[:, None] * mesh.vertex_normals)


def socket_block(
    opening_axis, center=(0.0, 0.0, 0.0), radius_mm=25.0, mouth_deg=90.0, fossa_deg=0.0, fossa_mm=5.0
) -> TriangleMesh:
    """A drum with a hollow whose edge lies ``mouth_deg`` from its opening axis; if asked, a well round the pole."""
    angle = np.deg2rad(np.arange(mouth_deg, 180.0 - fossa_deg + 0.5, 1.0))
    arc = np.column_stack([radius_mm * np.sin(angle), radius_mm * np.cos(angle)])
    if fossa_deg:
        deep = np.deg2rad(np.arange(180.0 - fossa_deg, 180.01, 2.0))
        arc = np.vstack([arc, (radius_mm + fossa_mm) * np.column_stack([np.sin(deep), np.cos(deep)])])
    arc[-1, 0] = 0.0
    # outside the edge the face falls away, so that the edge is what the centre sees
    away = np.deg2rad(mouth_deg + 8.0)
    outer, brim, bottom = (radius_mm + 20.0) * np.array([np.sin(away), np.cos(away), -1.0])
    drum = revolved(np.vstack([[0.0, bottom], [outer, bottom], [outer, brim], arc]), 180)
    z = np.asarray(opening_axis, dtype=float) / np.linalg.norm(opening_axis)
    x = np.cross(z, [0.3, 0.8, 0.1])
    x /= np.linalg.norm(x)
    axes = np.column_stack([x, np.cross(z, x), z])
    mesh = drum.with_vertices(drum.vertices_lps_mm @ axes.T + np.asarray(center))
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1])


def axis_from_radiographic(inclination_deg: float, anteversion_deg: float, side: Side) -> np.ndarray:
    """Opening axis in level LPS from radiographic angles (Murray 1993: lateral, anterior, superior parts)."""
    ri, ra = np.deg2rad([inclination_deg, anteversion_deg])
    return np.array([side.lateral_sign * np.sin(ri) * np.cos(ra), -np.sin(ra), -np.cos(ri) * np.cos(ra)])
