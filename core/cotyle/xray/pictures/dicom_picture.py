"""One frame of a DICOM X-ray file: its pixels as a screen shows them, and what its header says of their grey.

Grey's direction comes from what the file says of the beam: Pixel Intensity Relationship Sign (0028,1041), which speaks
of stored values (PS3.3 C.8.11.3.1.2), or, in XA and XRF, Pixel Intensity Relationship (0028,1040) LIN or LOG, which
says that stored values grow with the beam (C.8.7.1, C.8.19.6.4.1.1). CR and DX without it are taken to be shown as
films are, bone light (common practice, no source), and that is only a custom.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pydicom
from pydicom.pixels.processing import apply_color_lut, apply_modality_lut, apply_voi

from cotyle.errors import InputError
from cotyle.image.series_info import uid_digest
from cotyle.image.slice_header import NotAnImageError, SliceHeader, read_slice_headers
from cotyle.image.slice_pixels import read_colors, read_low_bits, read_stored
from cotyle.xray.pictures.dicom_fields import FrameFields
from cotyle.xray.pictures.dicom_geometry import geometry_of
from cotyle.xray.pictures.dicom_shutters import shuttered
from cotyle.xray.pictures.patient_mark import mark_of
from cotyle.xray.pictures.raw_picture import (
    Doubt,
    RawPicture,
    chosen_frame,
    colored_pixels,
    luminance,
    require_picture_size,
)

XRAY_MODALITIES = frozenset({"XA", "RF", "DX", "CR", "RG"})
UNSAID_MODALITIES = frozenset({"", "OT", "SC"})
"""What captures of a screen often bear: they may be X-ray pictures."""

_OTHERS = {
    "CT": "a CT image, not an X-ray picture",
    "MR": "an MR image",
    "US": "an ultrasound image",
    "PT": "a PET image",
    "NM": "a nuclear medicine image",
    "MG": "a mammogram",
    "SEG": "a segmentation",
    "XC": "a photograph",
}
_VOLUMES = "1.2.840.10008.5.1.4.1.1.13.1."  # X-ray 3D angiographic, craniofacial, tomosynthesis


def read_dicom_picture(path: Path, frame: int | None = None) -> RawPicture:
    """Read one frame (from 1) of a DICOM X-ray file.

    Raises
    ------
    InputError
        ``picture-damaged``, ``picture-no-pixels``, ``picture-modality``, ``picture-volume``, ``picture-frames``,
        ``picture-frame-number``, ``picture-tiny``, ``picture-too-large``, ``picture-codec``, ``picture-pixels``,
        ``picture-color``.
    """
    dataset, headers = _opened(path)
    modality = str(dataset.get("Modality") or "").strip().upper()
    _require_xray(modality, headers[0])
    number = chosen_frame(frame, len(headers))
    header = headers[number - 1]
    require_picture_size(header.columns, header.rows)
    fields = FrameFields(dataset, number)
    geometry, doubts = geometry_of(fields, modality, number, (header.columns, header.rows))
    shown, direction, excluded, odd = _shown(dataset, header)
    light, told_by, binding = _grey(fields, modality, direction)
    outside = shuttered(fields.get, shown.shape)
    if outside is not None:
        excluded = outside if excluded is None else excluded | outside
    return RawPicture(
        shown,
        modality or "DICOM",
        light_is_attenuation=light,
        told_by=told_by,
        binding=binding,
        excluded=excluded,
        geometry=geometry,
        doubts=(*(Doubt(text) for text in (*odd, *_about(dataset, modality))), *doubts),
        frame=number if len(headers) > 1 else None,
        patient=mark_of(dataset),
        digest=uid_digest(str(dataset.get("SOPInstanceUID") or "")),
    )


def _opened(path: Path) -> tuple[pydicom.Dataset, tuple[SliceHeader, ...]]:
    with pydicom.config.disable_value_validation(), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the parser's doubts about fields that are not used here
        try:
            headers = read_slice_headers(path)
            dataset = pydicom.dcmread(path, force=True, defer_size=1 << 16)
            transfer = dataset.file_meta.get("TransferSyntaxUID")
        except NotAnImageError as error:
            raise _no_pixels(path) from error
        except Exception as error:  # broken files raise anything
            raise InputError("picture-damaged", "the DICOM file is damaged", "Export it again") from error
        if transfer is None:
            dataset.file_meta.TransferSyntaxUID = pydicom.uid.UID(headers[0].transfer_syntax)
    if "PixelData" not in dataset or not headers:
        raise _no_pixels(path)
    return dataset, headers


def _no_pixels(path: Path) -> InputError:
    directory = path.name.upper() == "DICOMDIR"
    what = "a directory of pictures" if directory else "a DICOM file without a picture"
    return InputError("picture-no-pixels", f"this is {what}", "Give the file of the picture itself")


def _require_xray(modality: str, header: SliceHeader) -> None:
    if header.sop_uid and header.is_scout and modality == "CT":
        what = "a CT's scout, whose beam does not diverge along the table"
        raise InputError("picture-modality", f"this is {what}", "Give a picture of the C-arm or a film")
    if modality not in XRAY_MODALITIES | UNSAID_MODALITIES:
        what = _OTHERS.get(modality, f"an image of modality {modality[:16]!r}")
        raise InputError("picture-modality", f"this is {what}", "Give a picture of the C-arm or a film")


def _about(dataset: pydicom.Dataset, modality: str) -> tuple[str, ...]:
    doubts = []
    if str(dataset.get("SOPClassUID") or "").startswith(_VOLUMES):
        raise InputError("picture-volume", "this is a reconstructed volume, not a picture", "Give one X-ray picture")
    if modality in UNSAID_MODALITIES:
        doubts.append("The file does not say that it is an X-ray picture.")
    if str(dataset.get("LossyImageCompression") or "") == "01":
        doubts.append("The picture was compressed with loss.")
    if str(dataset.get("BurnedInAnnotation") or "").upper() == "YES":
        doubts.append("The file says that text is burnt into the picture.")
    return tuple(doubts)


def _shown(
    dataset: pydicom.Dataset, header: SliceHeader
) -> tuple[npt.NDArray[np.float32], float, npt.NDArray[np.bool_] | None, tuple[str, ...]]:
    """Return brightness, the sign of stored values in it, pixels drawn in colour, and what looks odd."""
    if header.photometric in {"", "MONOCHROME1", "MONOCHROME2"} and header.samples_per_pixel == 1:
        stored, odd = _stored(header)
        direction, more = _display_direction(dataset, header, stored)
        return direction * stored.astype(np.float32), direction, None, odd + more
    rgb = _rgb(dataset, header)
    if rgb.shape[:2] != (header.rows, header.columns):
        raise InputError("picture-pixels", "the pixels have another shape than the header says", "Export it again")
    return luminance(rgb), 1.0, colored_pixels(rgb), ()


def _stored(header: SliceHeader) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    try:
        (stored,) = read_stored([header])
    except InputError as error:
        if error.code != "series-pixel-bits":
            raise _pixel_error(error.code) from error
        return read_low_bits(header), ("Bits above the stored ones were left out: a drawing may have been kept there.",)
    return stored, ()


def _rgb(dataset: pydicom.Dataset, header: SliceHeader) -> npt.NDArray[Any]:
    if header.photometric not in {"RGB", "PALETTE COLOR"} and not header.photometric.startswith("YBR_"):
        raise InputError(
            "picture-color", f"grey or colour is coded as {header.photometric[:20]}", "Export it as grey or RGB"
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            pixels = read_colors(header)
            if header.photometric == "PALETTE COLOR":
                return np.asarray(apply_color_lut(pixels, dataset))[..., :3]
        except InputError as error:
            raise _pixel_error(error.code) from error
        except Exception as error:  # a broken palette
            raise _pixel_error("") from error
    return np.asarray(pixels)


def _pixel_error(code: str) -> InputError:
    if code == "series-codec":
        return InputError(
            "picture-codec", "no decoder for the picture's compression", "Install python-gdcm and pyjpegls"
        )
    return InputError("picture-pixels", "the picture's pixels are damaged or cut short", "Export it again")


def _display_direction(
    dataset: pydicom.Dataset, header: SliceHeader, stored: npt.NDArray[Any]
) -> tuple[float, tuple[str, ...]]:
    """Return 1 where larger stored values are shown lighter, else -1.

    The chain is modality LUT, VOI LUT, photometric interpretation (PS3.4 N.2). Tables are followed from the least to
    the greatest value that occurs; windows keep the order and are left out, since they only clip.
    """
    direction = -1.0 if header.photometric == "MONOCHROME1" else 1.0
    doubts = [] if header.photometric else ["The file does not say whether great values are shown light or dark."]
    shape = str(dataset.get("PresentationLUTShape") or "").upper()
    if shape and (shape == "INVERSE") != (header.photometric == "MONOCHROME1"):
        doubts.append("The file contradicts itself on whether great values are shown light or dark.")
    ramp = np.unique(np.linspace(float(stored.min()), float(stored.max()), 256).astype(stored.dtype))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            through = apply_modality_lut(ramp, dataset)
            if dataset.get("VOILUTSequence"):
                through = apply_voi(through, dataset)
    except Exception:  # a broken table
        return direction, (*doubts, "A grey table of the file can't be read and was left out.")
    steps = np.diff(np.asarray(through, dtype=float))
    if (steps < 0).any() and (steps > 0).any():
        doubts.append("A grey table of the file goes up and down; it was left out.")
    elif (steps < 0).any():
        direction = -direction
    return direction, tuple(doubts)


def _grey(fields: FrameFields, modality: str, direction: float) -> tuple[bool | None, str, bool]:
    """Return whether shown light means attenuation, what says so, and whether that is more than a custom."""
    sign = fields.number("PixelIntensityRelationshipSign")
    if sign in {-1.0, 1.0}:
        return (sign < 0) == (direction > 0), "Pixel Intensity Relationship Sign (0028,1041)", True
    if modality in {"XA", "RF"} and fields.text("PixelIntensityRelationship") in {"LIN", "LOG"}:
        return direction < 0, "Pixel Intensity Relationship (0028,1040)", True
    if modality in {"DX", "CR"}:
        return True, "the custom of showing bone light on films", False
    return None, "", False
