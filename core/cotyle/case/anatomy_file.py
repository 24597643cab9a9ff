"""What a case keeps of its scan, so that another cup, or a corrected point, needs no new segmentation."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import SimpleITK as sitk

from cotyle.anatomy.findings import Finding
from cotyle.anatomy.landmarks import AnatomySeeds, Landmark
from cotyle.anatomy.metal.metal_cup import MetalCup
from cotyle.anatomy.pelvis import Pelvis, build_pelvis
from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.sockets.socket import Socket, socket_of
from cotyle.case.values import load, save
from cotyle.errors import InputError
from cotyle.files import atomic_path
from cotyle.image.made_up import MadeUp
from cotyle.image.sitk_bridge import from_sitk, to_sitk
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

CT_MARGIN_MM = 30.0
"""Flesh kept around the bones in the case's own copy of the scan."""


@dataclass(frozen=True, eq=False)
class ScanSource:
    """Where the bones came from, without the patient: ``series`` is a digest that tells series apart and names none.

    ``ijk_to_lps`` (4x4) and ``size`` are the whole scan's grid; ``made_up`` is where a repair made slices up.
    """

    voxel_mm: tuple[float, float, float]
    size: tuple[int, int, int]
    ijk_to_lps: Array
    series: str
    repairs: tuple[str, ...]
    synthetic: bool
    bones_origin: str
    made_up: tuple[MadeUp, ...] = ()

    def contains(self, points_lps_mm: Array) -> BoolArray:
        """Return whether points (n, 3) lie in the whole scan."""
        return self.grid.contains(points_lps_mm)

    @property
    def digest(self) -> str:
        """Sixteen digits that tell scans apart and name none: of the series, or where it has no digest, of the grid."""
        grid = np.round(self.ijk_to_lps, 3).tobytes() + repr(self.size).encode()
        return hashlib.sha256(self.series.encode() + grid).hexdigest()[:16]

    @property
    def grid(self) -> Volume:
        """The whole scan's grid, without its voxels."""
        return Volume(np.broadcast_to(np.uint8(0), self.size[::-1]), self.ijk_to_lps)


@dataclass(frozen=True)
class DrawnLabels:
    """Labels that somebody gave: bones they drew, ml that changed by bone (of a correction), digest of the map."""

    bones: tuple[str, ...]
    changed_ml: Mapping[str, float]
    digest: str


@dataclass(frozen=True, eq=False)
class Skeleton:
    """The bones of a scan and what is known of them: all that no landmark changes.

    edges: how sure each vertex of a surface is, by bone. seeds: what the fitted shape says of landmarks and sockets.
    metal_cups: artificial cups by side. given: label maps that somebody gave, in their order. doubts: of the scan and
    the bones.
    """

    source: ScanSource
    blur: Blur
    surfaces: Mapping[str, TriangleMesh]
    edges: Mapping[str, EdgeConfidence]
    seeds: AnatomySeeds
    metal_cups: Mapping[Side, MetalCup]
    given: tuple[DrawnLabels, ...]
    doubts: tuple[Finding, ...]
    quality: Mapping[str, float]

    @property
    def drawn(self) -> frozenset[str]:
        """Bones whose labels somebody gave."""
        return frozenset(name for each in self.given for name in each.bones)

    def write(self, path: Path) -> None:
        """Write it to one file, whole or not at all."""
        save(self, path)

    @classmethod
    def read(cls, path: Path) -> Skeleton:
        """Read what :meth:`write` wrote; errors as in :func:`cotyle.case.values.load`."""
        return load(cls, path)


@dataclass(frozen=True, eq=False)
class Anatomy:
    """Everything about the pelvis that no plan changes; ``doubts``: of scan, bones, landmarks and sockets."""

    skeleton: Skeleton
    landmarks: Mapping[str, Landmark]
    sockets: Mapping[Side, Socket]
    doubts: tuple[Finding, ...]

    @property
    def source(self) -> ScanSource:
        """Where the bones came from."""
        return self.skeleton.source

    @property
    def blur(self) -> Blur:
        """What the scan does to an edge."""
        return self.skeleton.blur

    @property
    def surfaces(self) -> Mapping[str, TriangleMesh]:
        """Closed surfaces in LPS mm by bone."""
        return self.skeleton.surfaces

    @property
    def edges(self) -> Mapping[str, EdgeConfidence]:
        """How sure each vertex of the surfaces is, by bone."""
        return self.skeleton.edges

    @property
    def quality(self) -> Mapping[str, float]:
        """Signals about the bones, by name."""
        return self.skeleton.quality

    def pelvis(self, standing_tilt_change_deg: float) -> Pelvis:
        """Return the frames for a posture."""
        return build_pelvis(self.landmarks, standing_tilt_change_deg)

    def socket(self, side: Side) -> Socket:
        """Return the socket of a side or raise InputError ``socket-missing``."""
        return socket_of(self.sockets, side)

    def write(self, path: Path) -> None:
        """Write it to one file, whole or not at all."""
        save(self, path)

    @classmethod
    def read(cls, path: Path) -> Anatomy:
        """Read what :meth:`write` wrote; errors as in :func:`cotyle.case.values.load`."""
        return load(cls, path)


def case_scan(scan: Volume, surfaces: Mapping[str, TriangleMesh]) -> Volume:
    """Return the part of a scan that a case keeps: the bones with some flesh around them.

    The result is what :func:`read_scan_copy` gives back to the last digit, so that later measurements repeat the first.
    """
    corners = [corner for mesh in surfaces.values() for corner in mesh.bounds_lps_mm]
    return from_sitk(to_sitk(scan.around(corners, CT_MARGIN_MM)))


def write_scan_copy(scan: Volume, path: Path) -> None:
    """Write the case's scan as NRRD, losslessly."""
    with atomic_path(path) as temporary:
        try:
            sitk.WriteImage(to_sitk(scan), str(temporary), True, 1)
        except RuntimeError as error:
            raise OSError(0, "the disk is full or the folder cannot be written to") from error


def read_scan_copy(path: Path) -> Volume:
    """Read the case's scan.

    Raises
    ------
    InputError
        ``file-missing`` or ``file-damaged``.
    """
    if not path.is_file():
        raise InputError("file-missing", f"there is no file {path.name}", "Plan the case again")
    try:
        return from_sitk(sitk.ReadImage(str(path)))
    except RuntimeError as error:
        raise InputError("file-damaged", f"{path.name} is damaged", "Plan the case again") from error
