"""Volumes to and from SimpleITK, which counts axes i, j, k and keeps LPS millimetres as well."""

from __future__ import annotations

from typing import Any

import numpy as np
import SimpleITK as sitk

from cotyle.errors import InputError
from cotyle.image.volume import Volume

_ORTHONORMAL_TOLERANCE = 1e-6


def to_sitk(volume: Volume) -> Any:
    """Return a copy as a SimpleITK image.

    Raises
    ------
    InputError
        ``volume-sheared`` if the grid's axes are not at right angles, which SimpleITK cannot hold.
    """
    directions = volume.directions
    if np.abs(directions.T @ directions - np.eye(3)).max() > _ORTHONORMAL_TOLERANCE:
        raise InputError("volume-sheared", "the grid's axes are not at right angles", "Rectify the scan first")
    image = sitk.GetImageFromArray(volume.voxels)
    image.SetSpacing(volume.spacing_mm.tolist())
    image.SetDirection(directions.ravel().tolist())
    image.SetOrigin(volume.ijk_to_lps[:3, 3].tolist())
    return image


def from_sitk(image: Any) -> Volume:
    """Return a copy of a three-dimensional SimpleITK image as a volume."""
    affine = np.eye(4)
    affine[:3, :3] = np.reshape(image.GetDirection(), (3, 3)) * np.array(image.GetSpacing())
    affine[:3, 3] = image.GetOrigin()
    return Volume(sitk.GetArrayFromImage(image), affine)
