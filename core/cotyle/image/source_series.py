"""Finding again the series that a scan was read from, by its digest and its grid."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from cotyle.errors import InputError
from cotyle.image.dicom_scan import scan_dicom
from cotyle.image.read import dicom_root, is_dicom_source, judge_all
from cotyle.image.series import group_series
from cotyle.image.series_check import SliceStack
from cotyle.image.series_info import uid_digest
from cotyle.image.stack_pixels import stack_affine
from cotyle.image.volume import Volume

_SAME_PLACE_MM = 1e-3


def find_series(path: Path, digest: str, grid: Volume, repaired: bool) -> SliceStack:
    """Return the slices of the series with a digest, in order along k; no pixels are read.

    ``grid`` is the grid that the scan had when it was read, ``repaired`` whether it was resampled then: only an
    untouched one must agree with the slices.

    Raises
    ------
    InputError
        ``source-not-dicom``, ``source-differs``, and those of reading a folder.
    """
    if not is_dicom_source(path):
        raise InputError("source-not-dicom", f"{path.name} is no DICOM series", "Give the DICOM folder of the CT")
    scan = scan_dicom(dicom_root(path))
    found = group_series(scan.headers)
    numbers = [n for n, each in enumerate(found, 1) if uid_digest(each.first.series_uid) == digest]
    judged = [judge_all(scan, wanted=n)[0] for n in numbers]
    stacks = [each.stack for each in judged if each.stack is not None]
    if not repaired:
        stacks = [each for each in stacks if _on_grid(each, grid)]
    if not stacks:
        what = "another series" if not numbers else "other slices"
        raise InputError(
            "source-differs", f"{path.name} holds {what} than the case was planned on", "Give the CT of this case"
        )
    return max(stacks, key=lambda each: len(each.slices))


def _on_grid(stack: SliceStack, grid: Volume) -> bool:
    first = stack.slices[0]
    if (first.columns, first.rows, len(stack.slices)) != grid.size:
        return False
    ends = np.array([[0.0, 0.0, 0.0], np.array(grid.size) - 1.0])
    placed = Volume(grid.voxels, stack_affine(stack)).to_lps(ends)
    return bool(np.abs(placed - grid.to_lps(ends)).max() < _SAME_PLACE_MM)
