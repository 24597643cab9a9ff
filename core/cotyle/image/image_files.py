"""Images in one file: NIfTI, NRRD, MetaImage. SimpleITK reads them and turns all of them to LPS."""

from __future__ import annotations

import gzip
import struct
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.apart import ChildDiedError, can_start_child, child, raise_refusal
from cotyle.image.image_loader import LoadedImage, damaged, image_kind, load_here
from cotyle.image.limits import IMAGE_READING_S
from cotyle.image.series_check import extent_findings
from cotyle.image.series_info import SeriesInfo, voxel_mm
from cotyle.image.verdict import Finding, note
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

AFFINES_AGREE_MM = 0.5
"""How far the two placements in one NIfTI header may be apart at the corners of the image."""

AIR_BELOW_HU = -200
"""A CT of a patient holds air; an image without any value below this is hardly in HU."""


def read_image_file(path: Path) -> tuple[Volume, SeriesInfo]:
    """Read a CT from one file; HU as int16 where they fit, else float32.

    Raises
    ------
    InputError
        ``image-format``, ``image-damaged``, ``image-not-3d``, ``image-nan``, ``image-too-large``, ``image-outside``,
        ``image-sheared``, ``image-no-space``, ``nifti-two-placements``.
    """
    image = load_image(path)
    volume = Volume(_as_hu(image.voxels), image.ijk_to_lps)
    findings = extent_findings(_extent_mm(volume), _slice_spacing_mm(volume))
    findings += _unit_findings(volume)
    info = SeriesInfo(
        kind=image_kind(path),
        number=None,
        description="",
        modality="",
        kernel="",
        patient_position="",
        slices=volume.size[2],
        size=volume.size,
        voxel_mm=voxel_mm(volume),
        findings=tuple(findings),
    )
    return volume, info


def load_image(path: Path) -> LoadedImage:
    """Return what a file holds, after checking that its placement can be trusted; a child process reads it.

    Raises
    ------
    InputError
        As :func:`read_image_file`.
    """
    if not image_kind(path):
        raise InputError("image-format", f"{path.name} is no NIfTI, NRRD or MetaImage file", "Check the file")
    if not path.is_file():
        raise InputError("input-missing", f"there is no {path.name}", "Check the path")
    if image_kind(path) == "nifti":
        _check_nifti_placement(path)
    image = _loaded_apart(path) if can_start_child() else load_here(path)
    if image_kind(path) == "nrrd" and not image.fields.get("NRRD_space"):
        raise InputError(
            "image-no-space", f"{path.name} does not say which way its axes run", "Add the field 'space' to its header"
        )
    return image


def _loaded_apart(path: Path) -> LoadedImage:
    try:
        with child("image_loader", {"path": str(path.absolute())}) as loader:
            head = loader.answer(IMAGE_READING_S)
            raise_refusal(head)
            fields = {str(key): str(value) for key, value in head["fields"].items()}
            return LoadedImage(loader.volume(head, IMAGE_READING_S), np.array(head["ijk_to_lps"]), fields)
    except (ChildDiedError, KeyError, TypeError, ValueError) as error:
        raise damaged(path) from error


def _check_nifti_placement(path: Path) -> None:
    """Compare the two placements (qform, sform) of a NIfTI-1 header; field offsets from nifti1.h (2007)."""
    head = _first_bytes(path, 348)
    order = "<" if head[:4] == struct.pack("<i", 348) else ">"
    if struct.unpack(order + "i", head[:4])[0] != 348:
        return  # NIfTI-2: SimpleITK decides
    qform_code, sform_code = struct.unpack(order + "2h", head[252:256])
    if qform_code <= 0 and sform_code <= 0:
        raise InputError(
            "image-no-space",
            f"{path.name} does not say which way its axes run (qform and sform codes are 0)",
            "Export it with its placement",
        )
    if qform_code <= 0 or sform_code <= 0:
        return
    size = np.array(struct.unpack(order + "8h", head[40:56])[1:4])
    sform = np.reshape(struct.unpack(order + "12f", head[280:328]), (3, 4))
    pixdim = np.array(struct.unpack(order + "8f", head[76:108]))
    qform = _qform(pixdim, np.array(struct.unpack(order + "6f", head[256:280])))
    corners = np.array([[a, b, c, 1] for a in (0, 1) for b in (0, 1) for c in (0, 1)]) * np.append(size - 1, 1)
    apart = float(np.linalg.norm(corners @ (sform - qform).T, axis=1).max())
    if not apart <= AFFINES_AGREE_MM:
        raise InputError(
            "nifti-two-placements",
            f"{path.name} places the image in two ways that differ by up to {apart:.1f} mm (qform and sform)",
            "Export it again with one placement",
        )


def _first_bytes(path: Path, count: int) -> bytes:
    try:
        with gzip.open(path) if path.name.lower().endswith(".gz") else path.open("rb") as file:
            head = file.read(count)
    except (OSError, EOFError) as error:
        raise damaged(path) from error
    if len(head) < count:
        raise damaged(path)
    return head


def _qform(pixdim: Array, quaternion: Array) -> Array:
    """Return the 3x4 matrix of b, c, d and an offset (nifti1.h, method 2)."""
    b, c, d = quaternion[:3]
    a = np.sqrt(max(0.0, 1 - b * b - c * c - d * d))
    rotation = np.array(
        [
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ]
    )
    steps = pixdim[1:4] * np.array([1, 1, -1 if pixdim[0] < 0 else 1])
    return np.column_stack([rotation * steps, quaternion[3:]])


def _as_hu(voxels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if voxels.dtype == np.int16:
        return voxels
    if voxels.dtype.kind == "f" and not np.isfinite(voxels).all():
        raise InputError("image-nan", "the image holds values that are not numbers", "Export it again")
    low, high = float(voxels.min()), float(voxels.max())
    if low < np.iinfo(np.int16).min or high > np.iinfo(np.int16).max:
        return np.asarray(voxels.astype(np.float32))
    out = np.empty(voxels.shape, dtype=np.int16)
    for k, plane in enumerate(voxels):
        out[k] = np.rint(plane) if voxels.dtype.kind == "f" else plane
    return out


def _extent_mm(volume: Volume) -> Array:
    return np.asarray(np.abs(volume.ijk_to_lps[:3, :3]) @ np.array(volume.size))


def _slice_spacing_mm(volume: Volume) -> float:
    """Return the spacing along the axis that runs most nearly up and down the patient."""
    return float(volume.spacing_mm[np.abs(volume.directions[2]).argmax()])


def _unit_findings(volume: Volume) -> list[Finding]:
    low = float(volume.voxels.min())
    if low < AIR_BELOW_HU:
        return []
    return [note("image-no-air", f"no value lies below {low:.0f}: are these HU?", lowest_hu=low)]
