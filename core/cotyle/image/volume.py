"""A volume of voxels in the patient's space."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.space.rotations import transform_points


@dataclass(frozen=True, eq=False)
class Volume:
    """Voxels and the affine that places them.

    Parameters
    ----------
    voxels:
        Indexed ``[k, j, i]``. Not copied: whoever hands it over does not write to it any more.
    ijk_to_lps:
        4x4; takes (i, j, k, 1) to the LPS mm of the voxel's centre. Any affine that can be inverted.

    Raises
    ------
    InputError
        ``volume-shape`` or ``volume-affine``.
    """

    voxels: npt.NDArray[Any]
    ijk_to_lps: Array

    def __post_init__(self) -> None:
        if self.voxels.ndim != 3 or min(self.voxels.shape) < 1:
            raise InputError("volume-shape", f"a volume needs three axes, got the shape {self.voxels.shape}")
        affine = np.array(self.ijk_to_lps, dtype=np.float64)
        if affine.shape != (4, 4) or not np.isfinite(affine).all():
            raise InputError("volume-affine", "the affine of a volume must be 4x4 finite numbers")
        if abs(np.linalg.det(affine[:3, :3])) < 1e-12 or not np.array_equal(affine[3], [0, 0, 0, 1]):
            raise InputError("volume-affine", "the affine of a volume must be one that can be inverted")
        object.__setattr__(self, "ijk_to_lps", read_only(affine))

    @property
    def size(self) -> tuple[int, int, int]:
        """Number of voxels along i, j, k."""
        k, j, i = self.voxels.shape
        return i, j, k

    @property
    def spacing_mm(self) -> Array:
        """Distance between neighbours along i, j, k in mm."""
        return np.asarray(np.linalg.norm(self.ijk_to_lps[:3, :3], axis=0))

    @property
    def directions(self) -> Array:
        """Unit LPS directions of i, j, k as columns, shape (3, 3)."""
        return np.asarray(self.ijk_to_lps[:3, :3] / self.spacing_mm)

    @cached_property
    def lps_to_ijk(self) -> Array:
        """Inverse of ``ijk_to_lps``."""
        return read_only(np.asarray(np.linalg.inv(self.ijk_to_lps), dtype=np.float64))

    @property
    def voxel_volume_mm3(self) -> float:
        """Volume of one voxel."""
        return float(abs(np.linalg.det(self.ijk_to_lps[:3, :3])))

    @property
    def corners_lps_mm(self) -> Array:
        """Outer corners of the grid (half a voxel beyond the outermost centres), shape (8, 3)."""
        ends = [(-0.5, n - 0.5) for n in self.size]
        return self.to_lps(np.array(list(product(*ends))))

    def to_lps(self, ijk: npt.ArrayLike) -> Array:
        """Return LPS mm of indices (i, j, k), shape (3,) or (n, 3)."""
        return transform_points(self.ijk_to_lps, ijk)

    def to_ijk(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return fractional indices (i, j, k) of LPS points (3,) or (n, 3)."""
        return transform_points(self.lps_to_ijk, points_lps_mm)

    def contains(self, points_lps_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return whether LPS points (n, 3) lie within the grid's outer faces."""
        ijk = self.to_ijk(points_lps_mm)
        return np.asarray(((ijk >= -0.5) & (ijk <= np.array(self.size) - 0.5)).all(axis=-1))

    def with_voxels(self, voxels: npt.NDArray[Any]) -> Volume:
        """Return other voxels on the same grid."""
        if voxels.shape != self.voxels.shape:
            raise InputError("volume-shape", f"expected the shape {self.voxels.shape}, got {voxels.shape}")
        return Volume(voxels, self.ijk_to_lps)

    def cropped(self, low_ijk: npt.ArrayLike, high_ijk: npt.ArrayLike) -> Volume:
        """Return the part from ``low_ijk`` (included) to ``high_ijk`` (excluded), clipped to the grid; a view."""
        low = np.clip(np.asarray(low_ijk, dtype=int), 0, np.array(self.size) - 1)
        high = np.clip(np.asarray(high_ijk, dtype=int), low + 1, self.size)
        affine = np.array(self.ijk_to_lps)
        affine[:3, 3] = self.to_lps(low)
        view = self.voxels[low[2] : high[2], low[1] : high[1], low[0] : high[0]]
        return Volume(view, affine)

    def around(self, points_lps_mm: npt.ArrayLike, margin_mm: float) -> Volume:
        """Return the smallest part of the grid that holds the points (n, 3) with a margin; a view."""
        ijk = self.to_ijk(points_lps_mm)
        margin = margin_mm / self.spacing_mm
        return self.cropped(np.floor(ijk.min(axis=0) - margin), np.ceil(ijk.max(axis=0) + margin) + 1)
