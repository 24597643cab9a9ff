"""Label maps of the bones: reading the user's own, writing ours."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk

from cotyle.errors import InputError
from cotyle.files import atomic_path
from cotyle.image.apart import ChildDiedError, can_start_child, child, raise_refusal
from cotyle.image.bone_names import bone_table, parse_name_table, read_name_table
from cotyle.image.image_files import load_image
from cotyle.image.image_loader import image_kind
from cotyle.image.label_grid import onto_grid
from cotyle.image.labels import BONE_LABELS
from cotyle.image.limits import IMAGE_READING_S
from cotyle.image.seg_loader import LoadedSegmentation, load_here, no_segmentation
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.slice_header import looks_like_dicom
from cotyle.image.volume import Volume

NAMES_FIELD = "label_names"
"""Header field of our NRRD label maps: JSON of number to name."""


@dataclass(frozen=True, eq=False)
class LabelFile:
    """A label map as it lies in its file: numbers on its own grid, and the names it brings along."""

    labels: Volume
    names: Mapping[int, str]
    frame_of_reference_uid: str = ""


def read_labels(
    path: str | Path,
    ct: Volume,
    names: Mapping[int, str] | str | Path | None = None,
    frame_of_reference_uid: str = "",
) -> Volume:
    """Read a label map onto the grid of a CT, as uint8 with the numbers of ``BONE_LABELS``.

    Parameters
    ----------
    path:
        NIfTI, NRRD, MetaImage or DICOM SEG.
    ct:
        The volume that the labels belong to.
    names:
        Number to name, or a JSON file of it. It wins over names in the file: the ``label_names`` field of an NRRD
        header, the segment names of a segmentation NRRD, or the segment labels of a DICOM SEG. Names that mean no
        bone are passed over.
    frame_of_reference_uid:
        Of the CT, if known; a DICOM SEG of another frame of reference is then refused.

    Raises
    ------
    InputError
        ``labels-geometry`` (another grid that does not cover the CT, or another frame of reference),
        ``labels-no-names``, ``label-names``, ``labels-empty``, ``labels-not-whole``, ``labels-overlap``, and those
        of the file readers.
    """
    file = Path(path)
    found = load_label_file(file)
    if names is None:
        table, source = found.names, file.name
    elif isinstance(names, Mapping):
        table, source = names, "the name table"
    else:
        table, source = read_name_table(names), Path(names).name
    if not table:
        raise InputError(
            "labels-no-names", f"{file.name} does not say which number is which bone", "Give a name table as well"
        )
    if frame_of_reference_uid and found.frame_of_reference_uid not in {"", frame_of_reference_uid}:
        raise InputError(
            "labels-geometry", f"{file.name} has another frame of reference than the CT", "Give the CT it was drawn on"
        )
    ours = _renumbered(found.labels.voxels, bone_table(table, source))
    if not ours.any():
        raise InputError(
            "labels-empty", f"{file.name} marks no voxel as one of the named bones", "Check the name table"
        )
    return onto_grid(found.labels.with_voxels(ours), ct, file.name)


def load_label_file(path: Path) -> LabelFile:
    """Read a label map as it is.

    Raises
    ------
    InputError
        As :func:`read_labels`.
    """
    if not path.is_file():
        raise InputError("input-missing", f"there is no label map {path.name}", "Check the path")
    if not image_kind(path) and looks_like_dicom(path):
        return _load_dicom_seg(path)
    image = load_image(path)
    volume = Volume(image.voxels, image.ijk_to_lps)
    if volume.voxels.dtype.kind == "f" and not np.array_equal(volume.voxels, np.round(volume.voxels)):
        raise InputError("labels-not-whole", f"{path.name} holds fractions, not labels", "Give a label map")
    return LabelFile(volume, _names_in_header(image.fields, path.name))


def write_labels(path: str | Path, labels: Volume, names: Mapping[int, str] = BONE_LABELS) -> None:
    """Write a label map as compressed NRRD, whole or not at all, with its names in the header.

    Raises
    ------
    InputError
        ``output-unwritable``; ``volume-sheared`` for a grid that NRRD readers would bend.
    """
    if not str(path).lower().endswith(".nrrd"):
        raise ValueError("label maps are written as .nrrd")
    image = to_sitk(labels.with_voxels(labels.voxels.astype(np.uint8, copy=False)))
    image.SetMetaData(NAMES_FIELD, json.dumps({str(n): name for n, name in sorted(names.items())}))
    with atomic_path(path) as temporary:
        try:
            sitk.WriteImage(image, str(temporary), useCompression=True)
        except RuntimeError as error:
            raise OSError(0, "the disk is full or the folder cannot be written to") from error


def _renumbered(voxels: npt.NDArray[Any], table: Mapping[int, int]) -> npt.NDArray[np.uint8]:
    ours = np.zeros(voxels.shape, dtype=np.uint8)
    for theirs, label in table.items():
        ours[voxels == theirs] = label
    return ours


def _names_in_header(fields: Mapping[str, str], source: str) -> dict[int, str]:
    """Return the names that a header brings: ours, or those of a segmentation NRRD (SegmentN_Name, _LabelValue)."""
    if NAMES_FIELD in fields:
        try:
            content = json.loads(fields[NAMES_FIELD])
        except (ValueError, RecursionError) as error:
            what = f"the field {NAMES_FIELD} of {source} is not JSON"
            raise InputError("label-names", what, "Give a name table") from error
        return parse_name_table(content, source)
    names: dict[int, str] = {}
    for key, value in fields.items():
        if key.startswith("Segment") and key.endswith("_LabelValue") and value.strip().isdigit():
            names[int(value)] = fields.get(key.replace("_LabelValue", "_Name"), "")
    return names


def _load_dicom_seg(path: Path) -> LabelFile:
    found = _segmentation_apart(path) if can_start_child() else load_here(path)
    labels = Volume(found.labels, found.ijk_to_lps)
    return LabelFile(labels, found.names, found.frame_of_reference_uid)


def _segmentation_apart(path: Path) -> LoadedSegmentation:
    try:
        with child("seg_loader", {"path": str(path.absolute())}) as loader:
            head = loader.answer(IMAGE_READING_S)
            raise_refusal(head)
            names = {int(number): str(name) for number, name in head["names"].items()}
            affine = np.array(head["ijk_to_lps"], dtype=np.float64)
            return LoadedSegmentation(loader.volume(head, IMAGE_READING_S), affine, names, str(head["frame"]))
    except (ChildDiedError, KeyError, TypeError, ValueError) as error:
        raise no_segmentation(path) from error
