"""Line integrals of a CT for any number of C-arms: make the volume ready once, then ask for pictures.

::

    ready = prepare(scan)                                # or precision=Precision.FAST, or device="gpu"
    picture = line_integrals_of(ready, carm)             # (rows, columns)
    pictures = line_integrals_of(ready, [carm, other])   # (2, rows, columns)

For registration: bone alone, in coarser copies, for many poses in one call::

    bone = prepare(scan, bone_above_hu=150, within=labels.voxels == 1)   # one bone; either part may be left out
    coarse = bone.coarser(3.2)                                           # mean mu over blocks about 3.2 mm wide
    small = carm.resized((64, 64))
    pictures = line_integrals_moved(coarse, small, motions)              # motions (n, 4, 4): rigid, LPS, of the volume

Each picture is made by Joseph's method (see :mod:`cotyle.xray.projector.reference`). ``ACCURATE`` cuts every ray by the
planes that the reference would and differs from it by rounding alone; ``FAST`` keeps mu in 8 bits and cuts all rays
of a picture by the planes of one axis as long as none leans more than 1.8 steps a plane against it. What a picture
needs is packed when first asked for, once for each main axis of the grid, and kept in the ready volume.

The loops are compiled on the first use on a machine (8 s of CPU time) and kept; :func:`warm_up` does it beforehand.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.frames import SCANNER
from cotyle.xray.attenuation import AttenuationCurve
from cotyle.xray.carm import CArm, from_positioner
from cotyle.xray.projector.attenuation_grid import AttenuationGrid, attenuation_grid, coarser
from cotyle.xray.projector.fast import add_line_integrals
from cotyle.xray.projector.packed_volume import PackedVolume, Precision, pack
from cotyle.xray.projector.reference import rays_of

if TYPE_CHECKING:
    from cotyle.xray.projector.gpu import CardVolume

DEVICES = ("cpu", "gpu")

# Steps of another axis a plane: up to these a picture is cut by the planes of one axis. 1 is where the reference
# changes over; in 8 bits a lean of up to 1.8 is taken, so that fewer packings are needed.
_MOST_LEAN = {Precision.ACCURATE: 1.0, Precision.FAST: 1.8}
# A warm-up that takes longer than this is compiling, and says so.
_PATIENCE_S = 1.0


@dataclass(frozen=True, eq=False)
class ReadyVolume:
    """A volume made ready by :func:`prepare`.

    Parameters
    ----------
    grid:
        What each voxel attenuates.
    precision, device:
        As asked for.
    packings:
        By main axis (0, 1, 2 for i, j, k): what was packed so far.
    """

    grid: AttenuationGrid
    precision: Precision = Precision.ACCURATE
    device: str = "cpu"
    packings: dict[int, PackedVolume | CardVolume] = field(default_factory=dict, repr=False)

    def packing(self, main_axis: int) -> PackedVolume | CardVolume:
        """Return the packing for rays along one axis (0, 1, 2 for i, j, k) of the grid, made on first use."""
        if main_axis not in self.packings:
            if self.device == "gpu":
                from cotyle.xray.projector.gpu import CardVolume

                self.packings[main_axis] = CardVolume(pack(self.grid, main_axis, Precision.ACCURATE))
            else:
                self.packings[main_axis] = pack(self.grid, main_axis, self.precision)
        return self.packings[main_axis]

    def coarser(self, voxel_mm: float) -> ReadyVolume:
        """Return a copy of mean mu over blocks of whole voxels about ``voxel_mm`` wide, for small pictures."""
        return ReadyVolume(coarser(self.grid, voxel_mm), self.precision, self.device)

    @property
    def bytes_used(self) -> int:
        """Memory beyond the grid's own, by what is packed so far."""
        return sum(each.bytes_used for each in self.packings.values())


def prepare(
    volume: Volume,
    curve: AttenuationCurve | None = None,
    precision: Precision = Precision.ACCURATE,
    bone_above_hu: float | None = None,
    within: npt.NDArray[np.bool_] | None = None,
    device: str = "cpu",
) -> ReadyVolume:
    """Make a CT ready for :func:`line_integrals_of`.

    Parameters
    ----------
    volume:
        HU; its affine may be oblique, sheared or mirrored. Outside is air.
    curve:
        HU to mu; :func:`~cotyle.xray.attenuation.attenuation_curve` by default. One with ``air_below_hu`` lets the air
        round the body be left out, which makes pictures faster.
    precision:
        16 bits, or 8 bits and faster; a card keeps 16 bits either way.
    bone_above_hu:
        If given, all below counts nothing.
    within:
        If given, shape of the voxels: all where it is False counts nothing.
    device:
        ``cpu``, or ``gpu`` for a CUDA card (extra ``gpu``).

    Raises
    ------
    InputError
        ``projector-device``, ``projector-mask``, and for a card those of :mod:`cotyle.xray.projector.gpu`.
    """
    if device not in DEVICES:
        raise InputError("projector-device", f"there is no device {device!r}", f"Choose from {', '.join(DEVICES)}")
    if device == "gpu":
        from cotyle.xray.projector.gpu import card

        card()
    return ReadyVolume(attenuation_grid(volume, curve, bone_above_hu, within), Precision(precision), device)


def line_integrals_of(ready: ReadyVolume, carms: CArm | Sequence[CArm]) -> npt.NDArray[np.float32]:
    """Return the integral of mu (no unit) along the ray to each pixel, from source to detector.

    Shape (rows, columns) for one C-arm, (n, rows, columns) for several, which must have one size.

    Raises
    ------
    InputError
        ``projector-size`` if the C-arms differ in size, ``projector-empty`` if nothing in the volume attenuates.
    """
    several = [carms] if isinstance(carms, CArm) else list(carms)
    if len({carm.size for carm in several}) != 1:
        raise InputError("projector-size", "the C-arms of one call must be some and have one size of picture")
    sources = np.stack([carm.source_lps_mm for carm in several])
    pictures = _pictures(ready, sources, np.stack([rays_of(carm) for carm in several]), several[0].size)
    return pictures[0] if isinstance(carms, CArm) else pictures


def line_integrals_moved(ready: ReadyVolume, carm: CArm, motions: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Return the pictures (n, rows, columns) that one C-arm takes of the volume after each of n rigid motions.

    Parameters
    ----------
    motions:
        Shape (n, 4, 4): from LPS mm where the volume lies to where it is moved.

    Raises
    ------
    InputError
        ``carm-motion`` if a matrix is not a rotation and a shift; else as :func:`line_integrals_of`.
    """
    matrices = np.asarray(motions, dtype=np.float64)
    if matrices.ndim != 3 or matrices.shape[1:] != (4, 4):
        raise InputError("carm-motion", f"motions must have the shape (n, 4, 4), got {matrices.shape}")
    turns = matrices[:, :3, :3]
    if not np.allclose(turns @ turns.transpose(0, 2, 1), np.eye(3), atol=1e-8) or (np.linalg.det(turns) < 0).any():
        raise InputError("carm-motion", "a volume moves by a rotation and a shift only")
    # moving the volume is moving source and rays the other way; a row vector times a rotation is turned back by it
    sources = ((carm.source_lps_mm - matrices[:, :3, 3])[:, None, :] @ turns)[:, 0, :]
    return _pictures(ready, sources, rays_of(carm) @ turns, carm.size)


def warm_up(say: Callable[[str], None] | None = None) -> None:
    """Compile the projector's loops, or load what was compiled before (under a second), on a tiny volume.

    Parameters
    ----------
    say:
        Called once, with words for the user, if it takes longer than a second: from another thread.
    """
    words = "compiling the X-ray projector, once on this machine (up to a minute)"
    timer = threading.Timer(_PATIENCE_S, say or str, [words])
    timer.daemon = True
    timer.start()
    try:
        hu = np.full((12, 12, 12), -1000, dtype=np.int16)
        hu[3:9, 3:9, 3:9] = 500
        tiny = Volume(hu, np.eye(4))
        for size, precision in ((96, Precision.ACCURATE), (16, Precision.FAST)):
            carm = from_positioner(
                (6.0, 6.0, 6.0),
                0,
                0,
                frame=SCANNER,
                source_detector_mm=1000,
                source_isocenter_mm=700,
                pixel_pitch_mm=(1, 1),
                size=(size, size),
            )
            line_integrals_of(prepare(tiny, precision=precision).coarser(2.0), carm)
    finally:
        timer.cancel()


def _pictures(ready: ReadyVolume, sources: Array, rays: Array, size: tuple[int, int]) -> npt.NDArray[np.float32]:
    if ready.device == "gpu":
        from cotyle.xray.projector.gpu import card

        cupy = card()
        return np.asarray(cupy.asnumpy(add_pictures(ready, sources, rays, size, cupy)))
    return np.asarray(add_pictures(ready, sources, rays, size, np))


def add_pictures(ready: ReadyVolume, sources: Array, rays: Array, size: tuple[int, int], arrays: Any) -> Any:
    """Return pictures (n, rows, columns) as arrays of a library, numpy or cupy, that belongs to the device.

    ``sources`` (n, 3) and ``rays`` (n, 3, 3) are LPS mm, see :func:`~cotyle.xray.projector.reference.rays_of`.
    """
    columns, rows = size
    integrals = arrays.zeros((len(sources), rows, columns), dtype=np.float32)
    for axis, which, own_rays_only in _passes(ready, rays, size):
        add = _adder(ready.packing(axis))
        if which is None:
            add(sources, rays, own_rays_only, integrals)
        else:
            part = arrays.zeros((len(which), rows, columns), dtype=np.float32)
            add(sources[which], rays[which], own_rays_only, part)
            integrals[which] += part
    return integrals


def _adder(packing: PackedVolume | CardVolume) -> Callable[[Array, Array, bool, Any], None]:
    return partial(add_line_integrals, packing) if isinstance(packing, PackedVolume) else packing.add_line_integrals


def _passes(
    ready: ReadyVolume, rays: Array, size: tuple[int, int]
) -> Iterator[tuple[int, npt.NDArray[np.intp] | None, bool]]:
    """Yield an axis of the grid, the pictures (None: all) cut by its planes, and whether only rays along it are."""
    columns, rows = size
    in_voxels = rays @ ready.grid.volume.lps_to_ijk[:3, :3].T
    across, down = columns - 1.0, rows - 1.0
    corners = np.array([[1.0, 0.0, 0.0], [1.0, across, 0.0], [1.0, 0.0, down], [1.0, across, down]]) @ in_voxels
    main = np.abs(corners.sum(axis=1)).argmax(axis=1)
    along = corners[np.arange(len(main)), :, main]
    # rays through the corners enclose all others: if those go one way and do not lean too far, none does
    one_way = np.abs(np.sign(along).sum(axis=1)) == 4
    upright = (np.abs(corners).max(axis=2) <= _MOST_LEAN[ready.precision] * np.abs(along)).all(axis=1)
    single = one_way & upright
    if single.all() and (main == main[0]).all():
        yield int(main[0]), None, False
        return
    for axis in range(3):
        which = np.flatnonzero(single & (main == axis))
        if len(which):
            yield axis, which, False
    mixed = np.flatnonzero(~single)
    followed = np.array([_axes_followed(in_voxels[at], size) for at in mixed], dtype=bool).reshape(-1, 3)
    for axis in range(3):
        which = mixed[followed[:, axis]]
        if len(which):
            yield axis, which, True


def _axes_followed(rays: Array, size: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """Return for each of the three axes whether any ray of a picture follows it the most, or as much as another."""
    columns, rows = size
    directions = np.abs(rays[0] + np.arange(columns)[:, None] * rays[1] + np.arange(rows)[:, None, None] * rays[2])
    most = directions.max(axis=-1, keepdims=True)
    return np.asarray((directions >= (1 - 1e-9) * most).any(axis=(0, 1)))
