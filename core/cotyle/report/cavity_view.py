"""The reamed socket in 3D with the wall left behind it, seen into the mouth and from inside the pelvis."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from cotyle.cup.cavity import Cavity
from cotyle.cup.component import Cup
from cotyle.cup.wall import Wall, WallMap
from cotyle.image.labels import hip_bone
from cotyle.report import ink
from cotyle.report.scene import Camera, Job, Layer, Picture
from cotyle.space.arrays import Array, unit
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery

MOST_WALL_MM = 15.0
PICTURE_PX = (940, 690)
BONE_COLOR = (0.90, 0.86, 0.78)
_COLORS = "cividis_r"
_APART = 0.07
"""Least distance of two numbers, as a share of the picture's width."""


@dataclass(frozen=True, eq=False)
class CavityScenes:
    """The two pictures to draw and what to write on them."""

    job: Job
    numbers_lps_mm: Array
    numbers: tuple[str, ...]
    titles: tuple[str, str]


def cavity_scenes(
    surfaces: Mapping[str, TriangleMesh], cup: Cup, cavity: Cavity, wall: Wall, frame: Frame
) -> CavityScenes:
    """Return the scenes of the cavity; the wall must hold a map."""
    assert wall.map is not None
    bone_name = hip_bone(cup.side)
    bone = surfaces[bone_name]
    in_bone = -MeshQuery(bone).signed_distance(wall.map.mesh.vertices_lps_mm)
    outside_cavity = cavity.signed_distance_mm(bone.vertices_lps_mm)
    thickness = np.clip(wall.map.thickness_mm, 0.0, MOST_WALL_MM)
    floor = Layer(wall.map.mesh, BONE_COLOR, keep=in_bone, values=thickness, high=MOST_WALL_MM)
    reamed = Layer(bone, BONE_COLOR, keep=outside_cavity)
    glass = Layer(bone, BONE_COLOR, opacity=0.32, keep=outside_cavity)
    lookup = wall_colors()
    looks = cup_cameras(cup, frame)
    into, inside = looks["into-the-socket"], looks["from-inside"]
    job = Job(
        (
            Picture((reamed, floor), into, PICTURE_PX, "into-the-socket.png", lookup),
            Picture((glass, floor), inside, PICTURE_PX, "from-inside-the-pelvis.png", lookup),
        )
    )
    spots, words = _numbers(wall.map, in_bone)
    return CavityScenes(
        job, spots, words, ("Into the socket, femur removed", "From inside the pelvis, bone made clear")
    )


def wall_colors() -> Array:
    """Return the colours of walls from 0 to :data:`MOST_WALL_MM`, shape (256, 3), from 0 to 1."""
    return np.asarray(matplotlib.colormaps[_COLORS](np.linspace(0, 1, 256)))[:, :3]


def cup_cameras(cup: Cup, frame: Frame) -> dict[str, Camera]:
    """Return the ways to look at a cup: into its mouth, from inside the pelvis, from in front, from its side."""
    axis, outward = cup.opening_axis_lps, cup.side.lateral_sign * frame.left
    pole = cup.center_lps_mm - 0.3 * cup.radius_mm * axis
    from_inside = unit(-outward + 0.35 * frame.anterior + 0.25 * frame.superior)
    return {
        "into-the-socket": Camera(pole, axis, frame.superior, 52.0),
        "from-inside": Camera(pole, from_inside, frame.superior, 52.0),
        "from-in-front": Camera(cup.center_lps_mm, frame.anterior, frame.superior, 110.0),
        "from-the-side": Camera(cup.center_lps_mm, outward, frame.superior, 110.0),
    }


def scene_figure(picture: bytes, scenes: CavityScenes, index: int, width_px: float = 470) -> Figure:
    """Return a drawn picture with numbers beside its colours."""
    drawn = scenes.job.pictures[index]
    columns, rows = drawn.size
    bar_px = 46.0
    height_px = width_px * rows / columns
    made = ink.figure(width_px, height_px + bar_px)
    axes = made.add_axes((0, bar_px / (height_px + bar_px), 1, height_px / (height_px + bar_px)))
    axes.imshow(_pixels(picture), extent=(0, columns, rows, 0), interpolation="antialiased")
    at = drawn.camera.project(scenes.numbers_lps_mm, columns, rows)
    written: list[Array] = []
    for place, words in zip(at, scenes.numbers, strict=True):
        if any(np.linalg.norm(place - other) < _APART * columns for other in written):
            continue
        written.append(place)
        axes.text(
            float(place[0]),
            float(place[1]),
            words,
            ha="center",
            va="center",
            fontsize=ink.FONT_PT,
            fontweight="bold",
            color="white",
            path_effects=ink.halo(ink.INK, 2.4),
        )
    axes.set_axis_off()
    bar = made.add_axes((0.2, 0.58 * bar_px / (height_px + bar_px), 0.6, 0.2 * bar_px / (height_px + bar_px)))
    bar.imshow(drawn.lookup[None], extent=(0, MOST_WALL_MM, 0, 1), aspect="auto")
    bar.set(yticks=[], xticks=np.arange(0, MOST_WALL_MM + 1, 3))
    bar.set_xlabel(
        f"mm to the inner surface ({MOST_WALL_MM:g} and more in one colour)", fontsize=ink.SMALL_PT, labelpad=1
    )
    bar.tick_params(labelsize=ink.SMALL_PT, length=2, pad=1)
    return made


def _numbers(wall_map: WallMap, in_bone: Array) -> tuple[Array, tuple[str, ...]]:
    """Return spots on the floor, pole first, and the wall there in words."""
    vertices = wall_map.mesh.vertices_lps_mm
    center = vertices[-96:].mean(axis=0)  # the last ring is the rim
    pole = unit(vertices[0] - center)
    first = unit(vertices[-96] - center)
    second = np.cross(pole, first)
    radius = float(np.linalg.norm(vertices[0] - center))
    wanted: list[Array] = [vertices[0]]
    for polar_deg, count, turn in ((38.0, 6, 0.0), (68.0, 8, 22.5)):
        for around in np.radians(turn + np.arange(count) * 360.0 / count):
            side = np.cos(around) * first + np.sin(around) * second
            tilt = np.radians(polar_deg)
            wanted.append(center + radius * (np.cos(tilt) * pole + np.sin(tilt) * side))
    nearest = [int(np.argmin(np.linalg.norm(vertices - spot, axis=1))) for spot in wanted]
    shown = [index for index in nearest if in_bone[index] > 0.5]
    return vertices[shown], tuple(_words(float(wall_map.thickness_mm[index])) for index in shown)


def _words(thickness_mm: float) -> str:
    return f"{thickness_mm:.0f}" if thickness_mm < MOST_WALL_MM else f"{MOST_WALL_MM:.0f}+"


def _pixels(picture: bytes) -> Array:
    import matplotlib.image

    return np.asarray(matplotlib.image.imread(io.BytesIO(picture)), dtype=float)
