"""What made-up slices do to an anatomy: edges in them are less sure, and what ends in them is named.

An edge between slices that a repair made up is no clear edge (``Edge.MADE_UP``); its standard deviation grows by what
the gap leaves open (:mod:`cotyle.image.made_up`), and with it that of the sockets, landmarks, walls and coverage that
rest on it. Besides, each landmark and each socket that lies in them is named: the numbers alone do not say why. No plan
is made on a socket that a gap crosses which is wider than the slices of a whole series may be thick.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.anatomy.landmarks import APP_NAMES, Landmarks, Origin
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket import Socket
from cotyle.image.made_up import MadeUp, listed, widest_unsure_mm
from cotyle.image.series_check import THICK_SPACING_MM
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

_HOLDS_A_SOCKET = 1.15
"""A socket reaches this many radii from its centre, its rim with it."""
_ROUNDING_MM = 0.05
_OF_BONE = (Concern.BONES, Concern.WALL, Concern.COVERAGE)
_OF_SOCKET = (Concern.CENTER, Concern.DIAMETER, Concern.WALL, Concern.COVERAGE)


def less_sure(
    edges: Mapping[str, EdgeConfidence], surfaces: Mapping[str, TriangleMesh], made_up: Sequence[MadeUp]
) -> dict[str, EdgeConfidence]:
    """Return the edges of each bone with those in made-up slices called so, and less sure."""
    if not made_up:
        return dict(edges)
    return {name: _judged(each, surfaces[name], made_up) for name, each in edges.items()}


def _judged(edges: EdgeConfidence, mesh: TriangleMesh, made_up: Sequence[MadeUp]) -> EdgeConfidence:
    kind, sd = edges.kind.copy(), edges.spread_mm
    for stretch in made_up:
        within = stretch.holds(mesh.vertices_lps_mm)
        kind[within & (kind == Edge.CLEAR)] = Edge.MADE_UP
        sd[within] = np.hypot(sd[within], stretch.sd_mm(mesh.vertex_normals[within]))
    return EdgeConfidence(kind, sd.astype(np.float16))


def made_up_findings(
    landmarks: Landmarks, sockets: Mapping[Side, Socket], made_up: Sequence[MadeUp]
) -> Iterator[Finding]:
    """Yield what lies in made-up slices: landmarks that were found there, sockets that they cross."""
    found = [mark for mark in landmarks.values() if mark.origin is Origin.DETECTED]
    names = [mark.name for mark in found if not mark.name.startswith("hip_center") and stretch_at(mark.lps_mm, made_up)]
    if names:
        text = f"found in slices that were made up, in which no edge is its own: {', '.join(names)}"
        concerns = (Concern.FRAME,) if set(names) & set(APP_NAMES) else ()
        yield Finding("landmark-made-up", text, concerns=concerns, landmarks=tuple(names))
    for side, socket in sockets.items():
        across = [each for each in made_up if _crosses(each, socket)]
        if across:
            text = (
                f"slices that were made up cross the {side} socket {listed(across)}: centre, diameter, wall and "
                f"coverage rest on edges that are known to ± {widest_unsure_mm(across):.1f} mm only there"
            )
            yield Finding("socket-made-up", text, concerns=_OF_SOCKET, side=side)
        wide = [each for each in across if each.gap_mm > THICK_SPACING_MM + _ROUNDING_MM]
        if wide:
            text = (
                f"slices are missing across the {side} socket {listed(wide)}: no wall can be measured in a gap of more "
                f"than {THICK_SPACING_MM:g} mm; give the whole series"
            )
            yield Finding("socket-not-shown", text, Grade.CANNOT_PLAN, _OF_BONE, side)


def stretch_at(place_lps_mm: Array, made_up: Sequence[MadeUp]) -> MadeUp | None:
    """Return the made-up stretch that a place (3,) lies in, or None."""
    return next((each for each in made_up if each.holds(np.asarray(place_lps_mm)[None])[0]), None)


def _crosses(stretch: MadeUp, socket: Socket) -> bool:
    at = float(socket.center_lps_mm @ np.array(stretch.normal_lps))
    reach = _HOLDS_A_SOCKET * socket.diameter_mm / 2
    return stretch.low_mm < at + reach and stretch.high_mm > at - reach
