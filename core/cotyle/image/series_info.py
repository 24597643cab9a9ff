"""Where a volume came from, told without the patient's identity."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from cotyle.image.made_up import MadeUp
from cotyle.image.series_check import SliceStack
from cotyle.image.verdict import Finding, SeriesVerdict
from cotyle.image.volume import Volume


@dataclass(frozen=True)
class SeriesInfo:
    """Provenance of a volume.

    ``kind`` is ``dicom``, ``nifti``, ``nrrd`` or ``metaimage``. The UIDs and ``source_files`` (one slice each, in
    order along k; empty for other kinds) serve those who write DICOM into the same study; they are left out of
    :meth:`as_dict` and of the printed form, which show ``series_hash`` instead. ``made_up`` tells where a repair made
    slices up.
    """

    kind: str
    number: int | None
    description: str
    modality: str
    kernel: str
    patient_position: str
    slices: int
    size: tuple[int, int, int]
    voxel_mm: tuple[float, float, float]
    findings: tuple[Finding, ...]
    repairs: tuple[str, ...] = ()
    study_uid: str = field(default="", repr=False)
    series_uid: str = field(default="", repr=False)
    frame_of_reference_uid: str = field(default="", repr=False)
    source_files: tuple[Path, ...] = field(default=(), repr=False)
    made_up: tuple[MadeUp, ...] = ()

    @property
    def series_hash(self) -> str:
        """First 12 digits of the SHA-256 of the series UID; tells series apart, names none. Empty without a UID."""
        return uid_digest(self.series_uid)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "kind": self.kind,
            "number": self.number,
            "description": self.description,
            "modality": self.modality,
            "kernel": self.kernel,
            "patient_position": self.patient_position,
            "slices": self.slices,
            "size": list(self.size),
            "voxel_mm": [round(v, 6) for v in self.voxel_mm],
            "series_hash": self.series_hash,
            "findings": [finding.as_dict() for finding in self.findings],
            "repairs": list(self.repairs),
            "made_up": [asdict(each) for each in self.made_up],
        }


def uid_digest(uid: str) -> str:
    """Return the digest of a DICOM UID, as in :attr:`SeriesInfo.series_hash`; empty without a UID."""
    return hashlib.sha256(uid.encode()).hexdigest()[:12] if uid else ""


def dicom_info(stack: SliceStack, volume: Volume, verdict: SeriesVerdict, repairs: tuple[str, ...]) -> SeriesInfo:
    """Return the provenance of a volume read from a stack of DICOM slices."""
    first = stack.slices[0]
    return SeriesInfo(
        kind="dicom",
        number=first.series_number,
        description=first.description,
        modality=first.modality,
        kernel=first.kernel,
        patient_position=first.patient_position,
        slices=len(stack.slices),
        size=volume.size,
        voxel_mm=voxel_mm(volume),
        findings=verdict.findings,
        repairs=repairs,
        study_uid=first.study_uid,
        series_uid=first.series_uid,
        frame_of_reference_uid=first.frame_of_reference_uid,
        source_files=tuple(s.path for s in stack.slices),
        made_up=stack.made_up,
    )


def voxel_mm(volume: Volume) -> tuple[float, float, float]:
    """Return a volume's spacing along i, j, k as plain numbers."""
    i, j, k = volume.spacing_mm.tolist()
    return i, j, k
