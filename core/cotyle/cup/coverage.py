"""How much of the shell lies on host bone.

The outer hemisphere of the cup is sampled with points of equal area. A point is covered when it lies inside the hip
bone as it was before reaming; bone is full by construction, so trabecular bone counts. Sectors are the four quarters
of the hemisphere about the opening axis, each 90 degrees wide and centred on the directions in the cup's own rim plane
that point most superiorly in the frame (azimuth 0), and from there anteriorly (90), inferiorly (180) and posteriorly
(270). Azimuth 0 of a cup in usual orientation is its superolateral edge.

Beside this strict share stands the share that lies on bone or within ``CONTACT_GAP_MM`` of it, looking straight out of
the shell: a cup set deeper than the native centre leaves a thin crescent under the edge of the roof, which is bone held
at a short distance and not bone that is missing. The rim's arcs and the overhang are judged with that gap allowed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.cup.component import Cup
from cotyle.cup.soft_bed import SoftBed
from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, read_only
from cotyle.space.directions import hemisphere_directions
from cotyle.space.frames import Frame
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh
from cotyle.space.solid_cells import SolidCells

SECTORS = ("superior", "anterior", "inferior", "posterior")
SHELL_POINTS = 20_000
# A gap that counts as contact for the rim and for ``near_fraction``; common practice, no source.
CONTACT_GAP_MM = 1.0
_GAP_STEPS = 3
RIM_POINTS = 1440


@dataclass(frozen=True)
class Coverage:
    """Coverage of the shell by host bone.

    ``fraction`` and ``sectors`` are shares of area in bone, 0 to 1; ``near_fraction`` is the share in bone or within
    ``CONTACT_GAP_MM`` of it. ``uncovered_arc_deg`` is the sum of the rim's arcs farther than that from bone,
    ``largest_uncovered_arc_deg`` the longest of them and ``largest_uncovered_at_deg`` its middle azimuth (NaN without
    one). ``overhang_mm`` is the straight distance, along the meridian of the superolateral edge, from the last bone to
    the rim: how far the rim stands out of bone there; the meridian's whole chord if it meets no bone.
    """

    fraction: float
    near_fraction: float
    sectors: Mapping[str, float]
    uncovered_arc_deg: float
    largest_uncovered_arc_deg: float
    largest_uncovered_at_deg: float
    overhang_mm: float


def rim_directions(opening_axes_lps: Array, frame: Frame) -> tuple[Array, Array]:
    """Return the unit directions, in rim planes, of azimuth 0 (superior) and 90 (anterior).

    Parameters
    ----------
    opening_axes_lps:
        Unit vectors, shape (..., 3), like both results.

    Raises
    ------
    InputError
        ``rim-direction`` if one opens straight up, down or forward: a rim has no upper or front edge then.
    """
    axes = np.asarray(opening_axes_lps)
    upward = frame.superior - (axes @ frame.superior)[..., None] * axes
    length = np.linalg.norm(upward, axis=-1, keepdims=True)
    if (length < 1e-6).any():
        raise InputError("rim-direction", "the cup opens straight up or down: its rim has no upper edge")
    superior = upward / length
    across = np.cross(axes, superior)
    forward = across @ frame.anterior
    if (np.abs(forward) < 1e-9).any():
        raise InputError("rim-direction", "the cup opens straight forward: its rim has no front edge")
    return read_only(superior), read_only(across * np.sign(forward)[..., None])


def measure_coverage(
    hip_bone: TriangleMesh,
    cup: Cup,
    frame: Frame,
    points: int = SHELL_POINTS,
    soft_bed: SoftBed | None = None,
    cells: SolidCells | None = None,
) -> Coverage:
    """Measure the coverage of a cup by the hip bone's closed surface, with sectors as seen in a frame.

    Where ``soft_bed`` knows soft tissue within the bone nothing is covered. ``cells`` of the bone make it faster.
    """
    superior, anterior = rim_directions(cup.opening_axis_lps, frame)
    inward = -cup.opening_axis_lps
    shell = hemisphere_directions(inward, points)
    azimuth = np.degrees(np.arctan2(shell @ anterior, shell @ superior)) % 360.0
    sector = np.floor(((azimuth + 45.0) % 360.0) / 90.0).astype(int)

    rim_azimuth = (np.arange(RIM_POINTS) + 0.5) * 2 * np.pi / RIM_POINTS
    rim = np.cos(rim_azimuth)[:, None] * superior + np.sin(rim_azimuth)[:, None] * anterior
    polar = np.linspace(0.0, np.pi / 2, 361)
    meridian = np.cos(polar)[:, None] * inward + np.sin(polar)[:, None] * superior

    directions = np.vstack([shell, rim, meridian])
    radii = cup.radius_mm + np.linspace(0.0, CONTACT_GAP_MM, _GAP_STEPS)
    asked = cup.center_lps_mm + np.concatenate([radius * directions for radius in radii])
    in_solid = inside(hip_bone, asked, inward) if cells is None else cells.inside(asked, inward)
    at_gap = in_solid.reshape(_GAP_STEPS, -1)
    in_bone, near = at_gap[0, : len(shell)], np.asarray(at_gap.any(axis=0))
    near_shell, on_rim, on_meridian = np.split(near, [len(shell), len(shell) + len(rim)])
    if soft_bed is not None:
        hard = ~soft_bed.at(shell)
        in_bone, near_shell = in_bone & hard, near_shell & hard
    total, longest, middle = _uncovered_arcs(on_rim)
    return Coverage(
        fraction=float(in_bone.mean()),
        near_fraction=float(near_shell.mean()),
        sectors={name: float(in_bone[sector == n].mean()) for n, name in enumerate(SECTORS)},
        uncovered_arc_deg=total,
        largest_uncovered_arc_deg=longest,
        largest_uncovered_at_deg=middle,
        overhang_mm=_overhang(on_meridian, polar, cup.radius_mm),
    )


def coverage_spread(
    hip_bone: TriangleMesh, edges: EdgeConfidence, cup: Cup, frame: Frame, soft_bed: SoftBed | None = None
) -> float:
    """Return one standard deviation of the share covered: half its change when the whole surface moves out and in, and
    in squares with it half of the share that lies in soft tissue within the bone.

    Every vertex moves by its own deviation, all the same way. Errors of one surface do go together: neighbours are tied
    by its stiffness, a filled-in region is one guess, blur is everywhere. Were they independent, they would cancel to
    nearly nothing over a shell, and the share would be stated surer than it is.
    """
    way = edges.spread_mm[:, None] * hip_bone.vertex_normals
    both = [
        measure_coverage(hip_bone.with_vertices(hip_bone.vertices_lps_mm + sign * way), cup, frame, points=5000)
        for sign in (-1.0, 1.0)
    ]
    soft = 0.0 if soft_bed is None else soft_bed.share
    return float(np.hypot(both[1].fraction - both[0].fraction, soft) / 2.0)


def _uncovered_arcs(on_rim: BoolArray) -> tuple[float, float, float]:
    """Return in degrees the sum of the uncovered arcs, the longest, and the azimuth of its middle."""
    step = 360.0 / len(on_rim)
    total = float((~on_rim).sum() * step)
    if on_rim.all():
        return 0.0, 0.0, float("nan")
    if not on_rim.any():
        return 360.0, 360.0, 0.0
    first = int(np.flatnonzero(on_rim)[0])
    turned = np.concatenate([[True], np.roll(~on_rim, -first), [False]])  # starts in bone
    turned[0] = False
    change = np.flatnonzero(np.diff(turned.astype(int)))
    starts, ends = change[::2], change[1::2]
    longest = int(np.argmax(ends - starts))
    middle = (first + (starts[longest] + ends[longest]) / 2) * step % 360.0
    return total, float((ends - starts)[longest] * step), float(middle)


def _overhang(on_meridian: BoolArray, polar: Array, radius_mm: float) -> float:
    """Return the chord from the last covered point of the meridian to the rim."""
    if on_meridian[-1]:
        return 0.0
    covered = np.flatnonzero(on_meridian)
    # the edge of the bone lies between the last covered point and the next one
    edge = (polar[covered[-1]] + polar[covered[-1] + 1]) / 2 if len(covered) else 0.0
    return float(2 * radius_mm * np.sin((np.pi / 2 - edge) / 2))
