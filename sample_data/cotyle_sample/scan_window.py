"""A scan whose box ends too early: the same voxels, fewer of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume

from cotyle_sample.truth import Truth


def cut_scan(
    volume: Volume, truth: Truth, low_lps_mm: npt.ArrayLike = (-np.inf,) * 3, high_lps_mm: npt.ArrayLike = (np.inf,) * 3
) -> tuple[Volume, Truth]:
    """Keep the voxels whose centres lie in a box (LPS mm) of an axis-aligned scan.

    Surfaces and landmarks of the truth stay whole; its label map ends with the scan.
    """
    corners = volume.to_ijk(np.clip([low_lps_mm, high_lps_mm], *volume.corners_lps_mm[[0, -1]]))
    first = np.maximum(np.ceil(corners.min(axis=0) - 1e-6).astype(int), 0)
    last = np.minimum(np.floor(corners.max(axis=0) + 1e-6).astype(int), np.array(volume.size) - 1)
    kept = volume.cropped(first, last + 1)
    labels = truth.labels.cropped(first, last + 1)
    return (
        Volume(np.ascontiguousarray(kept.voxels), kept.ijk_to_lps),
        replace(truth, labels=Volume(np.ascontiguousarray(labels.voxels), labels.ijk_to_lps)),
    )
