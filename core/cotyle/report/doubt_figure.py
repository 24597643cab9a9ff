"""The doubt figure of a hip: what put each edge of its bones where it is, on the CT and in 3D.

Three slices along the scanner's own axes, so that they can be found again in any viewer; each lies where most of the
edges round the socket are doubtful, or through the hip's centre where hardly any are. Line style and colour tell the
kind of an edge, and so does the legend, in words. Rings bear the marks of the points to check.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import matplotlib.image
import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy.spatial import cKDTree

from cotyle.anatomy.sections import near_part, plane_section
from cotyle.anatomy.segmentation.edge_confidence import EDGE_WORDS, Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket import Socket
from cotyle.anatomy.sockets.socket_sphere import vertex_areas
from cotyle.case.anatomy_file import Skeleton
from cotyle.case.verdict import PointToCheck
from cotyle.image.labels import hip_bone
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.cup_planes import CutPlane
from cotyle.report.scene import Camera, Layer, Picture
from cotyle.report.slices import WINDOW_HU
from cotyle.space.arrays import Array, BoolArray, unit
from cotyle.space.fits import fit_sphere
from cotyle.space.lines import cross, inside
from cotyle.space.mesh import TriangleMesh
from cotyle.space.polylines import chained
from cotyle.space.side import Side

NEAR_SOCKET_MM = 42.0
"""Edges within this way of the hip's centre decide where the slices lie, and are counted in the legend."""
WORTH_A_LOOK = 0.02
"""Share of doubtful edges below which the slices run through the centre."""
HALF_WIDTH_MM, HALF_HEIGHT_MM = 50.0, 41.0
WIDTH_PX, SLICE_PX, SCENE_PX, TITLE_PX, GAP_PX = 960.0, 256.0, 286.0, 22.0, 9.0
BONE_COLOR = (0.93, 0.90, 0.83)
_LEAST_SEEDS = 20
_PITCH_MM, _BIN_MM, _MARK_WITHIN_MM, _IN_SKIN_MM = 0.4, 3.0, 2.5, 2.0


@dataclass(frozen=True)
class EdgeStyle:
    """How a kind of edge is drawn: colour on the CT and on the bone, width, dashes (None: one line)."""

    color: str
    width: float
    dashes: tuple[float, ...] | None = None


STYLES: Mapping[Edge, EdgeStyle] = {
    Edge.CLEAR: EdgeStyle(ink.BONE_EDGE, 1.3),
    Edge.PRIOR: EdgeStyle(ink.REAMER, 2.3, (3.2, 1.4)),
    Edge.METAL: EdgeStyle(ink.CUP, 2.6, (0.9, 1.1)),
    Edge.OUTSIDE: EdgeStyle("#aab1b8", 2.0, (5.0, 1.5, 1.0, 1.5)),
    Edge.DRAWN: EdgeStyle(ink.NATIVE, 2.3, (6.5, 1.2)),
    Edge.MADE_UP: EdgeStyle(ink.WALL, 2.3, (1.6, 0.9)),
}


@dataclass(frozen=True, eq=False)
class Hip:
    """What a doubt figure shows: the bones with their edges, the hip's centre (3,) and the points to check."""

    side: Side
    surfaces: Mapping[str, TriangleMesh]
    edges: Mapping[str, EdgeConfidence]
    center_lps_mm: Array
    points: Sequence[PointToCheck] = ()

    @property
    def bone(self) -> TriangleMesh:
        """The hip bone."""
        return self.surfaces[hip_bone(self.side)]

    @property
    def bone_edges(self) -> EdgeConfidence:
        """The edges of the hip bone."""
        return self.edges[hip_bone(self.side)]

    @property
    def near(self) -> BoolArray:
        """Mask (n,) of the hip bone's vertices round the socket."""
        return np.asarray(np.linalg.norm(self.bone.vertices_lps_mm - self.center_lps_mm, axis=1) < NEAR_SOCKET_MM)


def hips_of(
    skeleton: Skeleton, sockets: Mapping[Side, Socket], points: Mapping[Side, Sequence[PointToCheck]]
) -> dict[Side, Hip]:
    """Return both hips of a pelvis, a socket's centre standing for what the fitted shape says where there is none."""
    found = {}
    for side in Side:
        if side in sockets:
            center = sockets[side].center_lps_mm
        else:
            lunate = skeleton.seeds.socket(side).lunate
            if len(lunate) < _LEAST_SEEDS:
                continue
            center = fit_sphere(lunate)[0].center_lps_mm
        found[side] = Hip(side, skeleton.surfaces, skeleton.edges, np.asarray(center), points.get(side, ()))
    return found


def doubt_pictures(hip: Hip) -> tuple[Picture, Picture]:
    """Return the two 3D pictures to draw: into the socket, and from inside the pelvis; the hip bone alone."""
    outward = np.array([float(hip.side.lateral_sign), 0.0, 0.0])
    layers = tuple(
        Layer(hip.bone.part(of_kind), _rgb(kind)) for kind in Edge if (of_kind := _triangle_kinds(hip) == kind).any()
    )
    size = (int(2 * _column_px()), int(2 * SCENE_PX))
    views = {"into": unit(outward + [0.0, -0.25, -0.2]), "inside": unit(-outward + [0.0, -0.35, 0.15])}
    into, inside = (
        Picture(
            layers,
            Camera(hip.center_lps_mm, toward, np.array([0.0, 0.0, 1.0]), 62.0),
            size,
            f"doubt-{hip.side}-{name}.png",
            np.zeros((2, 3)),
        )
        for name, toward in views.items()
    )
    return into, inside


def doubt_figure(scan: Volume, hip: Hip, scenes: Sequence[tuple[Picture, bytes]]) -> Figure:
    """Draw the figure; ``scenes`` are the 3D pictures with what they were drawn from, none where there is no OpenGL."""
    column = _column_px()
    height = 2 * TITLE_PX + SLICE_PX + SCENE_PX + GAP_PX
    made = ink.figure(WIDTH_PX, height)

    def cell(number: int, top_px: float, height_px: float, title: str) -> Any:
        left = number * (column + GAP_PX)
        made.text(
            left / WIDTH_PX, 1 - (top_px + 15) / height, title, fontsize=ink.FONT_PT, fontweight="bold", color=ink.INK
        )
        bottom = top_px + TITLE_PX + height_px
        return made.add_axes((left / WIDTH_PX, 1 - bottom / height, column / WIDTH_PX, height_px / height))

    for number, plane in enumerate(doubt_planes(hip)):
        _draw_slice(cell(number, 0.0, SLICE_PX, plane.title), scan, plane, hip)
    second = TITLE_PX + SLICE_PX + GAP_PX
    for number, (picture, content) in enumerate(scenes):
        title = "Hip bone, into the socket" if number == 0 else "Hip bone, from inside the pelvis"
        _draw_scene(cell(number, second, SCENE_PX, title), picture, content, hip)
    _draw_legend(cell(2, second, SCENE_PX, "Edges of the hip bone round the socket"), hip)
    return made


def doubt_planes(hip: Hip) -> tuple[CutPlane, CutPlane, CutPlane]:
    """Return the axial, coronal and sagittal plane, each where most edges near the socket are doubtful."""
    left, back, up = np.eye(3)
    x, y, z = doubtful_place(hip)
    center = hip.center_lps_mm
    at = {0: np.array([x, *center[1:]]), 1: np.array([center[0], y, center[2]]), 2: np.array([*center[:2], z])}
    return (
        CutPlane("axial", f"Axial, S {_number(z)} mm", at[2], left, -back, ("L", "R", "A", "P")),
        CutPlane("coronal", f"Coronal, P {_number(y)} mm", at[1], left, up, ("L", "R", "S", "I")),
        CutPlane("sagittal", f"Sagittal, L {_number(x)} mm", at[0], back, up, ("P", "A", "S", "I")),
    )


def doubtful_place(hip: Hip) -> Array:
    """Return (3,) LPS mm: along each axis the place with most doubtful surface near the socket, or the centre."""
    doubtful = hip.near & hip.bone_edges.doubtful
    if sum(share for kind, share in kind_shares(hip).items() if kind is not Edge.CLEAR) < WORTH_A_LOOK:
        return np.asarray(hip.center_lps_mm)
    points, areas = hip.bone.vertices_lps_mm[doubtful], vertex_areas(hip.bone)[doubtful]
    place = []
    for axis in range(3):
        offset = points[:, axis] - hip.center_lps_mm[axis]
        steps = np.round(offset / _BIN_MM).astype(int)
        weight = np.bincount(steps - steps.min(), weights=areas)
        # three slices' worth: one thin peak is less than a broad patch
        broad = np.convolve(weight, np.ones(3), mode="same")
        place.append(hip.center_lps_mm[axis] + _BIN_MM * (int(np.argmax(broad)) + steps.min()))
    return np.asarray(place, dtype=float)


def kind_shares(hip: Hip) -> dict[Edge, float]:
    """Return, by kind, its share of the hip bone's surface near the socket, by area."""
    areas = vertex_areas(hip.bone)[hip.near]
    kinds = np.bincount(hip.bone_edges.kind[hip.near], weights=areas, minlength=len(Edge))
    return {kind: float(kinds[kind] / areas.sum()) for kind in Edge}


def outlines(hip: Hip, plane: CutPlane) -> list[tuple[Edge, Array]]:
    """Return where the plane cuts the bones near the hip: pieces of line (n, 2) in the plane's mm, each of one kind."""
    found = []
    reach = float(np.hypot(HALF_WIDTH_MM, HALF_HEIGHT_MM)) + 5.0
    for name, mesh in hip.surfaces.items():
        if name not in hip.edges:
            continue
        part = near_part(mesh, plane.center_lps_mm, reach)
        if not len(part.triangles):
            continue
        tree = cKDTree(mesh.vertices_lps_mm)
        for line in chained(plane_section(part, plane.center_lps_mm, plane.right_lps, plane.up_lps)):
            middle = 0.5 * (line[1:] + line[:-1])
            places = plane.center_lps_mm + middle[:, :1] * plane.right_lps + middle[:, 1:] * plane.up_lps
            kinds = hip.edges[name].kind[tree.query(places)[1]]
            ends = [0, *(np.flatnonzero(np.diff(kinds)) + 1), len(kinds)]
            for begin, end in pairwise(ends):
                found.append((Edge(int(kinds[begin])), line[begin : end + 1]))
    return found


def _draw_slice(axes: Any, scan: Volume, plane: CutPlane, hip: Hip) -> None:
    grey = sample(scan, plane.grid_lps_mm(HALF_WIDTH_MM, HALF_HEIGHT_MM, _PITCH_MM))
    extent = (-HALF_WIDTH_MM, HALF_WIDTH_MM, -HALF_HEIGHT_MM, HALF_HEIGHT_MM)
    axes.imshow(grey, cmap="gray", vmin=WINDOW_HU[0], vmax=WINDOW_HU[1], extent=extent, interpolation="bilinear")
    for kind, line in sorted(outlines(hip, plane), key=lambda each: each[0] is not Edge.CLEAR):
        _line(axes, line, STYLES[kind])
    near = [point for point in hip.points if abs(float(plane.height_mm(np.array(point.lps_mm)))) <= _MARK_WITHIN_MM]
    at = [plane.coordinates_mm(np.array(point.lps_mm)) for point in near]
    spots = [(point.mark, float(x), float(y)) for point, (x, y) in zip(near, at, strict=True)]
    shown = [each for each in spots if abs(each[1]) < HALF_WIDTH_MM - 3 and abs(each[2]) < HALF_HEIGHT_MM - 3]
    _draw_marks(axes, shown, 2 * HALF_WIDTH_MM, 1.0, "#ffffff", "#000000")
    right, left, top, bottom = plane.letters
    for words, x, y, across_at, up_at in (
        (right, HALF_WIDTH_MM - 2, 0, "right", "center"),
        (left, 2 - HALF_WIDTH_MM, 0, "left", "center"),
        (top, 0, HALF_HEIGHT_MM - 2, "center", "top"),
        (bottom, 0, 2 - HALF_HEIGHT_MM, "center", "bottom"),
    ):
        axes.text(
            x, y, words, ha=across_at, va=up_at, color="white", fontsize=11, fontweight="bold", path_effects=ink.halo()
        )
    x, y = 4 - HALF_WIDTH_MM, 4 - HALF_HEIGHT_MM
    axes.plot([x, x + 10], [y, y], color="white", linewidth=2.5, solid_capstyle="butt", path_effects=ink.halo())
    axes.text(x, y + 1.5, "10 mm", color="white", fontsize=ink.SMALL_PT, va="bottom", path_effects=ink.halo())
    axes.set(xlim=extent[:2], ylim=extent[2:])
    axes.set_axis_off()


def _draw_scene(axes: Any, picture: Picture, content: bytes, hip: Hip) -> None:
    columns, rows = picture.size
    pixels = np.asarray(matplotlib.image.imread(io.BytesIO(content)), dtype=float)
    axes.imshow(pixels, extent=(0, columns, rows, 0), interpolation="antialiased")
    if hip.points:
        places = np.array([point.lps_mm for point in hip.points])
        at = picture.camera.project(places, columns, rows)
        seen = _in_sight(places, picture.camera, hip.bone)
        spots = [
            (point.mark, float(x), float(y))
            for point, (x, y), visible in zip(hip.points, at, seen, strict=True)
            if visible and 20 < x < columns - 20 and 20 < y < rows - 20
        ]
        _draw_marks(axes, spots, columns, -1.0, ink.INK, "#ffffff")
    axes.set(xlim=(0, columns), ylim=(rows, 0))
    axes.set_axis_off()


def _in_sight(places: Array, camera: Camera, bone: TriangleMesh) -> BoolArray:
    """Return whether no bone lies between each place and the viewer; a place may lie a little within the surface."""
    toward = unit(camera.toward_viewer_lps)
    before = places + _IN_SKIN_MM * toward
    return np.asarray(~inside(bone, before, toward) & ~np.isfinite(cross(bone, before, toward).next_entry_mm()))


def _draw_legend(axes: Any, hip: Hip) -> None:
    axes.set(xlim=(0, 1), ylim=(0, 1))
    axes.set_axis_off()
    shares = kind_shares(hip)
    y = 0.95
    for kind in (each for each in Edge if shares[each] >= 0.0005 or each in (Edge.CLEAR, Edge.PRIOR, Edge.METAL)):
        style = STYLES[kind]
        axes.add_patch(_box(0.0, y - 0.035, 0.15, 0.07))
        _line(axes, np.array([[0.012, y], [0.138, y]]), style)
        axes.text(0.18, y, _two_lines(EDGE_WORDS[kind]), fontsize=ink.FONT_PT, color=ink.INK, va="center")
        axes.text(
            1.0, y, f"{100 * shares[kind]:.0f} %", fontsize=ink.FONT_PT, color=ink.INK, va="center", ha="right",
            fontweight="bold",
        )  # fmt: skip
        y -= 0.145
    words = (
        f"Shares of the surface within {NEAR_SOCKET_MM:.0f} mm of the\nhip's centre. In 3D the same colours; clear\n"
        "edges are bone-coloured. Rings: points to check,\nlisted with the verdict. Slices lie where most edges\n"
        "are doubtful, or through the centre; L, P, S: the\nscan's own coordinates."
    )
    axes.text(0.0, min(y + 0.045, 0.5), words, fontsize=ink.SMALL_PT, color=ink.SOFT_INK, va="top", linespacing=1.35)


def _line(axes: Any, line: Array, style: EdgeStyle) -> None:
    dashes: Any = "-" if style.dashes is None else (0, style.dashes)
    axes.add_line(
        Line2D(line[:, 0], line[:, 1], color="black", alpha=0.55, linewidth=style.width + 1.2, solid_capstyle="butt")
    )
    axes.add_line(
        Line2D(
            line[:, 0],
            line[:, 1],
            color=style.color,
            linewidth=style.width,
            linestyle=dashes,
            solid_capstyle="round",
            dash_capstyle="butt",
        )
    )


def _draw_marks(
    axes: Any, spots: Sequence[tuple[str, float, float]], width: float, upward: float, color: str, around: str
) -> None:
    """Draw rings at (mark, x, y) with their marks beside them, each on the first side where no other stands."""
    gap = 0.035 * width
    taken = [(x, y) for _, x, y in spots]
    for words, x, y in spots:
        for edge, line in ((around, 3.6), (color, 1.6)):
            axes.plot(
                [x], [y], marker="o", markersize=8, markerfacecolor="none", markeredgecolor=edge, markeredgewidth=line
            )
        sides = [
            (x + 1.7 * gap, y), (x - 1.7 * gap, y), (x, y + 1.4 * upward * gap), (x, y - 1.4 * upward * gap),
            (x + 1.7 * gap, y + 1.3 * upward * gap), (x - 1.7 * gap, y - 1.3 * upward * gap),
        ]  # fmt: skip
        free = [
            side for side in sides
            if all(abs(side[0] - a) > 1.5 * gap or abs(side[1] - b) > 0.95 * gap for a, b in taken if (a, b) != (x, y))
        ]  # fmt: skip
        at = (free or sides)[0]
        taken.append(at)
        axes.text(
            *at, words, color=color, fontsize=ink.SMALL_PT, fontweight="bold", va="center", ha="center",
            path_effects=ink.halo(around, 2.6),
        )  # fmt: skip


def _box(x: float, y: float, width: float, height: float) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, facecolor="#4a4f55", edgecolor="none")


def _two_lines(words: str) -> str:
    head, _, tail = words.partition(": ")
    return f"{head}:\n{tail}" if tail else words


def _triangle_kinds(hip: Hip) -> Array:
    """The kind of each triangle: the gravest of its corners, so that a doubtful spot is never painted over."""
    return np.asarray(hip.bone_edges.kind[hip.bone.triangles].max(axis=1))


def _rgb(kind: Edge) -> tuple[float, float, float]:
    if kind is Edge.CLEAR:
        return BONE_COLOR
    text = STYLES[kind].color.lstrip("#")
    red, green, blue = (int(text[at : at + 2], 16) / 255.0 for at in (0, 2, 4))
    return red, green, blue


def _column_px() -> float:
    return (WIDTH_PX - 2 * GAP_PX) / 3


def _number(value: float) -> str:
    return f"{value:.1f}".replace("-", "−")
