"""Sphere and rim of both sockets: each from its own surface first, then from every way there is to know it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from cotyle.anatomy.anterior_plane import hip_bone
from cotyle.anatomy.edge_spread import widened_sphere
from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.landmarks import AnatomySeeds, Landmarks
from cotyle.anatomy.mirrored_half import MirroredHalf, lay_halves
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.anatomy.sockets.displaced_socket import DisplacedHip, find_displaced
from cotyle.anatomy.sockets.rim import Rim, find_rim
from cotyle.anatomy.sockets.socket_sphere import BED, SocketSphere, find_socket_sphere
from cotyle.anatomy.sockets.socket_ways import OPPOSITE, CombinedWays, combine_ways, gather_ways
from cotyle.errors import InputError
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

_SPHERE = (Concern.CENTER, Concern.DIAMETER)
# A rim looked for about a centre nearer than this to the final one is the same rim.
_SAME_MM = 0.3
_GIVEN = "given"


@dataclass(frozen=True, eq=False)
class SocketFit:
    """One socket: its sphere as all ways have it, its rim, the ways, and the hip whose head has left it."""

    fit: SocketSphere
    rim: Rim
    ways: CombinedWays
    displaced: DisplacedHip | None


def fit_sockets(
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds,
    user: Landmarks,
    pelvis: Pelvis,
    edges: Mapping[str, EdgeConfidence],
) -> tuple[dict[Side, SocketFit], list[Finding]]:
    """Fit the sockets that there are, and say what is doubtful about them; arguments as for the whole survey."""
    doubts: list[Finding] = []
    first: dict[Side, tuple[SocketSphere, DisplacedHip | None]] = {}
    for side in Side:
        try:
            first[side] = _by_surface(surfaces, seeds, user, pelvis, side, edges)
        except InputError as error:
            doubts.append(Finding(error.code, str(error), concerns=(Concern.CENTER,), side=side))
    halves = lay_halves({side: hip_bone(surfaces, side) for side in Side}) if len(first) == len(Side) else None
    found: dict[Side, SocketFit] = {}
    for side in first:
        try:
            found[side] = _by_all_ways(hip_bone(surfaces, side), seeds, pelvis, side, first, halves)
        except InputError as error:
            doubts.append(Finding(error.code, str(error), concerns=(Concern.CENTER,), side=side))
    return found, doubts


def socket_fit_findings(
    side: Side, fits: Mapping[Side, SocketFit], pelvis: Pelvis, crowe_text: str = ""
) -> list[Finding]:
    """Return what to check about one socket: a head that has left it, and ways that disagree."""
    doubts = []
    found, opposite = fits[side], fits.get(side.opposite)
    if found.displaced is not None:
        text = displacement_text(side, found.displaced, pelvis) + crowe_text
        text += "; the socket given here is the true one, from what the head has left of it: check its centre and size"
        doubts.append(Finding("head-displaced", text, concerns=_SPHERE, side=side))
    apart_from = {each.way: each.apart_mm for each in found.ways.disagreements}
    others = {each.way for each in opposite.ways.disagreements} if opposite is not None else set()
    # where only the other socket disagrees, and more than this one speaks against that, it is the odd one
    odd_one_is_opposite = set(apart_from) == {OPPOSITE} and bool(others - {OPPOSITE})
    if apart_from and not odd_one_is_opposite and found.fit.method not in (BED, _GIVEN):
        apart = ", ".join(f"{way} {mm:.1f} mm" for way, mm in apart_from.items())
        text = f"the ways to know the {side} socket's centre differ by more than they should: {apart} from the others"
        doubts.append(Finding("socket-ways-disagree", text, concerns=_SPHERE, side=side))
    return doubts


def displacement_text(side: Side, hip: DisplacedHip, pelvis: Pelvis) -> str:
    """Say where the head lies, in the anterior pelvic plane's axes."""
    lateral, _, superior = hip.way_mm(pelvis.app.axes, side)
    where = "partly out of" if hip.false_socket is None else "in a false socket above"
    sideways = f"{abs(lateral):.0f} mm {'lateral' if lateral >= 0 else 'medial'}"
    return f"the {side} femoral head lies {where} its socket, {superior:.0f} mm up and {sideways}"


def _by_surface(
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds,
    user: Landmarks,
    pelvis: Pelvis,
    side: Side,
    edges: Mapping[str, EdgeConfidence],
) -> tuple[SocketSphere, DisplacedHip | None]:
    """The sphere by the bone's own surface; that of the true socket where the head has left it."""
    bone, femur, own = hip_bone(surfaces, side), surfaces.get(f"{side}_femur"), seeds.socket(side)
    center = user.get(f"hip_center_{side}")
    displaced = None
    if center is None and femur is not None and own.bed is None:
        displaced = find_displaced(bone, femur, side, pelvis.app.axes, own)
    if displaced is not None:
        fit = displaced.fit
    else:
        given = None if center is None else center.lps_mm
        fit = find_socket_sphere(bone, side, pelvis.app.axes, own, femur, given)
    name = f"{side}_hip_bone"
    if name in edges and fit.method != BED:
        fit = widened_sphere(fit, bone, side, pelvis.app.axes, own, edges[name])
    return fit, displaced


def _by_all_ways(
    bone: TriangleMesh,
    seeds: AnatomySeeds,
    pelvis: Pelvis,
    side: Side,
    first: Mapping[Side, tuple[SocketSphere, DisplacedHip | None]],
    halves: MirroredHalf | None,
) -> SocketFit:
    fit, displaced = first[side]
    opposite, opposite_displaced = first.get(side.opposite, (None, None))
    rim = find_rim(bone, fit.sphere, pelvis.app.axes, side)
    left, opposite_left = displaced is not None, opposite_displaced is not None
    others = (rim, seeds.socket(side), left, opposite, halves, opposite_left)
    ways = combine_ways(gather_ways(side, fit, *others))
    if displaced is not None:
        # what all ways say of the size moves the surface's own centre along
        ways = combine_ways(gather_ways(side, _resized(fit, displaced, ways.sphere.radius_mm), *others))
    if fit.method not in (BED, _GIVEN):
        moved = float(np.linalg.norm(ways.sphere.center_lps_mm - fit.sphere.center_lps_mm))
        fit = replace(
            fit,
            sphere=ways.sphere,
            uncertainty_mm=ways.center_sd_mm,
            diameter_uncertainty_mm=ways.diameter_sd_mm,
        )
        if moved > _SAME_MM:
            rim = find_rim(bone, fit.sphere, pelvis.app.axes, side)
    return SocketFit(fit, rim, ways, displaced)


def _resized(fit: SocketSphere, displaced: DisplacedHip, radius_mm: float) -> SocketSphere:
    """The sphere of the surface whose radius is known otherwise; its diameter stays what the surface says."""
    center = fit.sphere.center_lps_mm + (radius_mm - fit.sphere.radius_mm) * displaced.center_per_radius
    return replace(fit, sphere=Sphere(center, fit.sphere.radius_mm))
