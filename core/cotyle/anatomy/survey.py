"""Landmarks, frames and sockets of one pelvis from its surfaces, in the order in which they depend on each
other.

1. The touching plane gives the four points of the anterior pelvic plane; points the user gave are held, those outside
   the scan are filled in.
2. Frames from those.
3. Sphere and rim of each socket.
4. All other landmarks, in the axes of the anterior pelvic plane; the user's win.
5. Angles and ratios, which use landmarks of both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from cotyle.anatomy.anterior_plane import hip_bone
from cotyle.anatomy.edge_findings import edge_findings
from cotyle.anatomy.edge_spread import widened_landmarks
from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.landmark_rules import midline_landmarks, side_landmarks
from cotyle.anatomy.landmarks import (
    APP_NAMES,
    NO_SEEDS,
    AnatomySeeds,
    Landmark,
    Landmarks,
    Origin,
    extrapolated,
    with_given,
)
from cotyle.anatomy.morphology import measure_crowe, measure_morphology
from cotyle.anatomy.pelvis import Pelvis, build_pelvis
from cotyle.anatomy.plane_points import InImage, find_plane_points, require_known
from cotyle.anatomy.segmentation.edge_confidence import NO_EDGES, EdgeConfidence
from cotyle.anatomy.sockets.rim import mouth_view
from cotyle.anatomy.sockets.socket import Socket, fossa_floor, mirrored_center, socket_of
from cotyle.anatomy.sockets.socket_fits import SocketFit, fit_sockets, socket_fit_findings
from cotyle.anatomy.sockets.socket_sphere import BED, articular
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

# beyond these a result is called doubtful; common practice, no source
_MIGRATED_MM = 3.0
_EXTRAPOLATED_MM = 3.0
_SPHERE = (Concern.CENTER, Concern.DIAMETER)


@dataclass(frozen=True, eq=False)
class Survey:
    """What was found on one pelvis. ``sockets`` holds the sides that have one; ``doubts`` say what to check."""

    landmarks: Mapping[str, Landmark]
    pelvis: Pelvis
    sockets: Mapping[Side, Socket]
    doubts: tuple[Finding, ...]

    def socket(self, side: Side) -> Socket:
        """Return the socket of one side or raise InputError ``socket-missing``."""
        return socket_of(self.sockets, side)


def survey_anatomy(
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds = NO_SEEDS,
    given: Landmarks | None = None,
    standing_tilt_change_deg: float = 0.0,
    in_image: InImage | None = None,
    edges: Mapping[str, EdgeConfidence] = NO_EDGES,
) -> Survey:
    """Find everything on one pelvis.

    Parameters
    ----------
    surfaces:
        Closed surfaces in LPS mm by bone name; both hip bones are needed, sacrum and femora used where present.
    seeds:
        Carried points of a fitted shape; may be empty.
    given:
        Landmarks of the user. They win, and what rests on them is computed from them.
    standing_tilt_change_deg:
        See :func:`cotyle.anatomy.pelvis.build_pelvis`.
    in_image:
        Tells for points (n, 3) LPS mm whether they lie in the image; landmarks outside are marked extrapolated.
    edges:
        How sure each vertex of the surfaces is; what rests on doubtful ones is stated less surely.

    Raises
    ------
    InputError
        ``bone-missing``, ``landmark-not-found``, ``landmark-degenerate``: no pelvis to plan on; ``field-of-view`` if
        the scan ends so early that the pelvic plane is not known well enough.
    """
    user = dict(given or {})
    doubts: list[Finding] = []
    plane_points, findings = find_plane_points(surfaces, seeds, user, in_image, edges)
    doubts += findings
    plane_points = widened_landmarks(plane_points, surfaces, edges)
    pelvis = build_pelvis(with_given(plane_points, user), standing_tilt_change_deg)
    require_known(pelvis.uncertainty, with_given(plane_points, user))
    found: dict[str, Landmark] = dict(plane_points)
    fits, findings = fit_sockets(surfaces, seeds, user, pelvis, edges)
    doubts += findings
    for side, each in fits.items():
        fit, rim = each.fit, each.rim
        center = Landmark(f"hip_center_{side}", fit.sphere.center_lps_mm, Origin.DETECTED, fit.uncertainty_mm)
        found[center.name] = center
        marks = side_landmarks(surfaces, side, pelvis.app, fit.sphere, -rim.opening_axis_lps, seeds)
        found |= widened_landmarks(marks, surfaces, edges)
    found |= widened_landmarks(midline_landmarks(surfaces, pelvis.app, seeds), surfaces, edges)
    landmarks = with_given(_mark_outside(found, in_image), user)
    sockets = {side: _socket(surfaces, side, fits, landmarks, pelvis) for side in fits}
    doubts += _socket_doubts(sockets)
    for side in fits:
        crowe = sockets[side].crowe
        group = "" if crowe is None else f" (Crowe {crowe.group}, {crowe.subluxation:.2f})"
        doubts += socket_fit_findings(side, fits, pelvis, group)
    doubts += _edge_doubts(surfaces, seeds, pelvis, sockets, edges)
    outside = [name for name, mark in landmarks.items() if mark.origin is Origin.EXTRAPOLATED]
    if outside:
        doubts.append(
            Finding(
                "landmark-extrapolated",
                f"not seen in the scan, known from the other half or the fitted shape only: {', '.join(outside)}",
                concerns=(Concern.FRAME,) if set(outside) & set(APP_NAMES) else (),
                landmarks=tuple(outside),
            )
        )
    return Survey(landmarks, pelvis, sockets, tuple(doubts))


def _mark_outside(landmarks: Landmarks, in_image: InImage | None) -> dict[str, Landmark]:
    if in_image is None:
        return dict(landmarks)
    outside = {
        name: extrapolated(mark, _EXTRAPOLATED_MM)
        for name, mark in landmarks.items()
        if mark.origin is Origin.DETECTED and not in_image(mark.lps_mm[None])[0]
    }
    return {**landmarks, **outside}


def _socket(
    surfaces: Mapping[str, TriangleMesh],
    side: Side,
    fits: Mapping[Side, SocketFit],
    landmarks: Landmarks,
    pelvis: Pelvis,
) -> Socket:
    bone = hip_bone(surfaces, side)
    fit, rim = fits[side].fit, fits[side].rim
    other = fits[side.opposite].fit.sphere.center_lps_mm if side.opposite in fits else None
    drops = [landmarks.get(f"teardrop_{which}") for which in (side, side.opposite)]
    drop, other_drop = (None if mark is None else mark.lps_mm for mark in drops)
    edge = landmarks.get(f"superolateral_rim_{side}")
    given_edge = edge.lps_mm if edge is not None and edge.origin is Origin.GIVEN else None
    morphology = {
        frame.name: measure_morphology(
            bone, fit.sphere, frame, side, fit.uncertainty_mm, fit.head, other, drop, other_drop, given_edge
        )
        for frame in (pelvis.app, pelvis.supine)
    }
    femur = surfaces.get(f"{side}_femur")
    crowe = None
    if femur is not None and fit.head is not None and drop is not None and other_drop is not None:
        crowe = measure_crowe(bone, femur, fit.head, pelvis.app, side, drop, other_drop)
    floor, depth_mm = fossa_floor(bone, fit.sphere, rim)
    mirrored = None if other is None else mirrored_center(pelvis, other)
    displaced = fits[side].displaced
    return Socket(side, fit, rim, floor, depth_mm, mirrored, morphology, crowe, fits[side].ways, displaced)


def _edge_doubts(
    surfaces: Mapping[str, TriangleMesh],
    seeds: AnatomySeeds,
    pelvis: Pelvis,
    sockets: Mapping[Side, Socket],
    edges: Mapping[str, EdgeConfidence],
) -> Iterator[Finding]:
    for side, socket in sockets.items():
        name = f"{side}_hip_bone"
        if name in edges:
            view = mouth_view(pelvis.app.axes, side)
            lunate = articular(surfaces[name], view, seeds.socket(side), socket.sphere)
            medial = -side.lateral_sign * pelvis.app.left
            yield from edge_findings(surfaces[name], edges[name], lunate, socket.sphere, medial, side)


def _socket_doubts(sockets: Mapping[Side, Socket]) -> list[Finding]:
    doubts = []
    for side, socket in sockets.items():
        fit = socket.fit
        if fit.disagreement_mm > _MIGRATED_MM:
            text = (
                f"the {side} socket's centre differs by {fit.disagreement_mm:.1f} mm with and without the femoral "
                "head's guidance: worn socket or migrated head; check the centre"
            )
            if fit.method == BED:
                text = (
                    f"the bone seen behind the {side} artificial cup and the surface of the whole socket have centres "
                    f"{fit.disagreement_mm:.1f} mm apart; check the centre"
                )
            doubts.append(Finding("socket-center-doubtful", text, concerns=_SPHERE, side=side))
        if fit.method == "unguided" and socket.displaced is None:
            text = f"no round femoral head in the {side} socket: its centre is less certain"
            doubts.append(Finding("socket-unguided", text, concerns=_SPHERE, side=side))
        if fit.inlier_share < 0.7:
            text = f"only {fit.inlier_share:.0%} of the {side} socket's surface lies on its sphere"
            doubts.append(Finding("socket-not-round", text, concerns=_SPHERE, side=side))
    return doubts
