"""The bones as a DICOM Segmentation: binary, a coded segment a bone, on the grid of the label map."""

from __future__ import annotations

import warnings
from collections.abc import Collection
from typing import Any

import numpy as np
from pydicom.dataset import Dataset

from cotyle import __version__
from cotyle.errors import InputError
from cotyle.image.label_grid import onto_grid
from cotyle.image.labels import BONE_LABELS
from cotyle.image.volume import Volume
from cotyle.report.dicom.codes import (
    ANATOMICAL_STRUCTURE,
    FEMUR,
    IMPLANT,
    PELVIS,
    PHYSICAL_OBJECT,
    SACRUM,
    SIDES,
    Code,
)
from cotyle.report.dicom.concepts import concept
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.study import MANUFACTURER, MODEL, SERIAL, Series, placed
from cotyle.space.side import Side

_TYPES = {"hip_bone": PELVIS, "femur": FEMUR, "sacrum": SACRUM, "metal": IMPLANT}


def segmentation(labels: Volume, drawn: Collection[str], source: Source) -> Dataset:
    """Return the segmentation of a label map with the numbers of ``BONE_LABELS``.

    ``drawn`` are the bones whose labels somebody gave; all others were found by the program. Each frame names the slice
    it was drawn on, unless the label map lies on other planes than the source (a repaired scan): then the source is
    named as a whole.

    Raises
    ------
    InputError
        ``labels-empty``.
    """
    import highdicom  # takes half a second to import, and few need it

    present = [number for number in BONE_LABELS if (labels.voxels == number).any()]
    if not present:
        raise InputError("labels-empty", "the label map of the case marks no bone", "Plan the case again")
    numbered = _numbered(_on_source(labels, source), present)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found: Any = highdicom.seg.Segmentation(
            source_images=list(source.images),
            pixel_array=_as_highdicom(numbered, source.study.frame_of_reference_uid),
            segmentation_type="BINARY",
            segment_descriptions=[_segment(n, BONE_LABELS[label], drawn) for n, label in enumerate(present, 1)],
            series_instance_uid=source.study.series_uid(Series.SEGMENTATION),
            series_number=Series.SEGMENTATION.value[0],
            sop_instance_uid="0.0",
            instance_number=1,
            manufacturer=MANUFACTURER,
            manufacturer_model_name=MODEL,
            software_versions=__version__,
            device_serial_number=SERIAL,
            content_label="BONES",
            content_description="Bones of the hip; research software, not a medical device",
            specific_character_set="ISO_IR 192",
        )
    uid = _dimension_uid(source)
    found.DimensionOrganizationSequence[0].DimensionOrganizationUID = uid
    for item in found.DimensionIndexSequence:
        item.DimensionOrganizationUID = uid
    found.ContentQualification = "RESEARCH"
    return placed(found, source.study, Series.SEGMENTATION, 1)


def _on_source(labels: Volume, source: Source) -> Volume:
    """Return the label map on the planes of the source, where it has any and nothing is lost."""
    if source.grid is None:
        return labels
    try:
        return onto_grid(labels, source.grid, "the label map")
    except InputError:  # labels beyond the part of the scan that the case keeps
        return labels


def _numbered(labels: Volume, present: list[int]) -> Volume:
    """Return labels numbered from 1 without gaps, as segments must be."""
    table = np.zeros(256, dtype=np.uint8)
    table[present] = np.arange(1, len(present) + 1)
    return labels.with_voxels(table[labels.voxels])


def _as_highdicom(labels: Volume, frame_of_reference_uid: str) -> Any:
    import highdicom

    affine = labels.ijk_to_lps[:, [2, 1, 0, 3]]  # its indices run k, j, i
    return highdicom.Volume(
        np.ascontiguousarray(labels.voxels),
        affine,
        coordinate_system="PATIENT",
        frame_of_reference_uid=frame_of_reference_uid,
    )


def _segment(number: int, name: str, drawn: Collection[str]) -> Any:
    import highdicom

    side, bone = _parts(name)
    kind = _TYPES[bone]
    by_hand = name in drawn
    found = highdicom.seg.SegmentDescription(
        segment_number=number,
        segment_label=name.replace("_", " ").capitalize(),
        segmented_property_category=concept(PHYSICAL_OBJECT if bone == "metal" else ANATOMICAL_STRUCTURE),
        segmented_property_type=concept(kind),
        algorithm_type="MANUAL" if by_hand else "AUTOMATIC",
        algorithm_identification=None if by_hand else _algorithm(),
    )
    if side is not None:
        modifier: Code = SIDES[side]
        found.SegmentedPropertyTypeCodeSequence[0].SegmentedPropertyTypeModifierCodeSequence = [concept(modifier)]
    return found


def _algorithm() -> Any:
    import highdicom
    from pydicom.sr.codedict import codes

    return highdicom.AlgorithmIdentificationSequence(
        name="Cotyle bones", family=codes.DCM.DeformableModels, version=__version__
    )


def _parts(name: str) -> tuple[Side | None, str]:
    for side in Side:
        if name.startswith(f"{side}_"):
            return side, name.removeprefix(f"{side}_")
    return None, name


def _dimension_uid(source: Source) -> str:
    from pydicom.uid import generate_uid

    return str(generate_uid(entropy_srcs=["cotyle dimensions", source.study.study_uid]))
