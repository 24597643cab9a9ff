"""Loading a DICOM segmentation by highdicom, as a child process does it.

Asked with ``{"path"}``, the child answers with names, affine and labels, or with the error to raise.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.bounded_file import BoundedFile
from cotyle.image.in_child import Answers, limit_memory, received_request, refuse
from cotyle.image.limits import DECODER_MEMORY_BYTES, MAX_VOXEL_BYTES, require_voxels_within_limit


@dataclass(frozen=True, eq=False)
class LoadedSegmentation:
    """Labels ``[k, j, i]``, the affine from (i, j, k) to LPS mm, the segments' labels by number, the frame's UID."""

    labels: npt.NDArray[Any]
    ijk_to_lps: npt.NDArray[np.float64]
    names: dict[int, str]
    frame_of_reference_uid: str


def main() -> None:
    """Do what standard input asks for."""
    answers, request = Answers(), received_request()
    path = Path(request["path"])
    try:
        found = load_here(path, limit_memory)
        facts = {
            "ijk_to_lps": found.ijk_to_lps.tolist(),
            "names": {str(number): name for number, name in found.names.items()},
            "frame": found.frame_of_reference_uid,
        }
        answers.send(facts, found.labels)
    except InputError as error:
        refuse(answers, error)


def load_here(path: Path, limit: Callable[[int], None] | None = None) -> LoadedSegmentation:
    """Load a segmentation in this process; its empty slices may have been left out.

    Raises
    ------
    InputError
        ``labels-overlap``, ``labels-damaged``, ``image-too-large``.
    """
    import highdicom  # takes half a second to import, and few need it

    if limit is not None:
        limit(DECODER_MEMORY_BYTES + 4 * path.stat().st_size)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with BoundedFile(path, most_bytes=MAX_VOXEL_BYTES) as file:
                segmentation = highdicom.seg.segread(file)
            columns, rows = int(segmentation.Columns), int(segmentation.Rows)
            frames = int(segmentation.NumberOfFrames)
            require_voxels_within_limit(columns, rows, frames)
            if limit is not None:
                limit(DECODER_MEMORY_BYTES + 8 * columns * rows * frames)
            volume = segmentation.get_volume(combine_segments=True)
    except InputError:
        raise
    except Exception as error:  # a broken file raises anything
        raise _not_one_volume(path, error) from error
    names = {int(s.SegmentNumber): str(s.SegmentLabel) for s in segmentation.SegmentSequence}
    affine = np.asarray(volume.affine, dtype=np.float64)[:, [2, 1, 0, 3]]  # its indices run k, j, i
    return LoadedSegmentation(np.asarray(volume.array), affine, names, str(volume.frame_of_reference_uid or ""))


def no_segmentation(path: Path) -> InputError:
    """Return the error of a file that is no segmentation to be read."""
    what = f"{path.name} is no DICOM segmentation that makes one volume"
    return InputError("labels-damaged", what, "Export the label map as NRRD")


def _not_one_volume(path: Path, error: Exception) -> InputError:
    if "overlap" in str(error).lower():
        return InputError("labels-overlap", f"segments of {path.name} overlap", "Give each voxel to one bone")
    return no_segmentation(path)
