"""The native socket of one hip: sphere, rim, floor, orientation and shape in one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.landmark_rules import fossa
from cotyle.anatomy.morphology import Crowe, Morphology
from cotyle.anatomy.pelvis import Pelvis
from cotyle.anatomy.sockets.displaced_socket import DisplacedHip
from cotyle.anatomy.sockets.rim import Rim
from cotyle.anatomy.sockets.socket_sphere import SocketSphere
from cotyle.anatomy.sockets.socket_ways import CombinedWays
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Plane, Sphere
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class Socket:
    """One native socket.

    Parameters
    ----------
    side:
        Which hip.
    fit:
        Sphere of the lunate surface with its uncertainties and the alternative estimate.
    rim:
        Edge, plane and opening axis.
    fossa_floor_lps_mm:
        Deepest point of the floor below the rim plane, shape (3,).
    depth_mm:
        Its distance from the rim plane.
    mirrored_opposite_center_lps_mm:
        Centre of the other hip mirrored in the pelvis' sagittal plane (through the middle of the ASIS line, at
        right angles to it); None if the other socket was not found.
    morphology:
        Shape by frame name, ``app`` and ``supine``. The properties of this class read ``app``, which does not
        depend on how the patient lay.
    crowe:
        Crowe group, None where the head-neck junction or a teardrop is missing.
    ways:
        Every way to know the sphere, and what they say together.
    displaced:
        Where the head lies if it has left the socket, else None; the sphere is then that of the true socket.
    """

    side: Side
    fit: SocketSphere
    rim: Rim
    fossa_floor_lps_mm: Array
    depth_mm: float
    mirrored_opposite_center_lps_mm: Array | None
    morphology: Mapping[str, Morphology]
    crowe: Crowe | None
    ways: CombinedWays
    displaced: DisplacedHip | None = None

    @property
    def sphere(self) -> Sphere:
        """Sphere of the lunate surface."""
        return self.fit.sphere

    @property
    def center_lps_mm(self) -> Array:
        """Native hip centre."""
        return self.fit.sphere.center_lps_mm

    @property
    def diameter_mm(self) -> float:
        """Bony diameter of the socket."""
        return self.fit.sphere.diameter_mm

    @property
    def center_uncertainty_mm(self) -> float:
        """One standard deviation of the centre."""
        return self.fit.uncertainty_mm

    @property
    def rim_points_lps_mm(self) -> Array:
        """Points of the rim (n, 3) in order round the opening axis, without the notch."""
        return self.rim.edge_lps_mm

    @property
    def rim_plane(self) -> Plane:
        """Plane of the rim; its normal is the opening axis."""
        return self.rim.plane

    @property
    def opening_axis_lps(self) -> Array:
        """Unit vector out of the native mouth: the axis whose inclination and anteversion are the native
        ones.
        """
        return self.rim.opening_axis_lps

    @property
    def axis_uncertainty_deg(self) -> float:
        """One standard deviation of the opening axis."""
        return self.rim.axis_uncertainty_deg

    @property
    def lateral_center_edge_angle_deg(self) -> float | None:
        """Lateral centre-edge angle in ``app``."""
        return self.morphology["app"].lateral_center_edge_angle_deg

    @property
    def acetabular_index_deg(self) -> float | None:
        """Acetabular index of the roof in ``app``."""
        return self.morphology["app"].acetabular_index_deg

    @property
    def sharp_angle_deg(self) -> float | None:
        """Sharp angle in ``app``."""
        return self.morphology["app"].sharp_angle_deg

    @property
    def extrusion_index(self) -> float | None:
        """Share of the head's width lateral to the edge, 0 to 1, in ``app``."""
        return self.morphology["app"].extrusion_index

    @property
    def anterior_sector_angle_deg(self) -> float | None:
        """Anterior acetabular sector angle in ``app``."""
        return self.morphology["app"].anterior_sector_angle_deg

    @property
    def posterior_sector_angle_deg(self) -> float | None:
        """Posterior acetabular sector angle in ``app``."""
        return self.morphology["app"].posterior_sector_angle_deg

    @property
    def crowe_group(self) -> str | None:
        """Crowe group I to IV."""
        return None if self.crowe is None else self.crowe.group


def socket_of(sockets: Mapping[Side, Socket], side: Side) -> Socket:
    """Return the socket of one side or raise InputError ``socket-missing``."""
    if side not in sockets:
        raise InputError(
            "socket-missing",
            f"there is no usable socket on the {side}",
            "Check --side and that this hip is in the scan",
        )
    return sockets[side]


def fossa_floor(hip_bone: TriangleMesh, sphere: Sphere, rim: Rim) -> tuple[Array, float]:
    """Return the deepest point (3,) LPS mm of the socket below its rim plane, and its depth in mm.

    Looked for on the floor of the fossa; in a socket without one it is the pole of the sphere.
    """
    floor = hip_bone.vertices_lps_mm[fossa(hip_bone, sphere, -rim.opening_axis_lps)]
    if len(floor) == 0:
        floor = (sphere.center_lps_mm - sphere.radius_mm * rim.opening_axis_lps)[None]
    depth = -rim.plane.signed_distance_mm(floor)
    deepest = int(np.argmax(depth))
    return floor[deepest], float(depth[deepest])


def mirrored_center(pelvis: Pelvis, center_lps_mm: Array) -> Array:
    """Return a hip centre mirrored to the other side in the pelvis' sagittal plane."""
    return pelvis.sagittal_plane.mirrored(center_lps_mm)
