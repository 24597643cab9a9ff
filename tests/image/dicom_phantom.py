"""Small synthetic CT series with known shape and known faults, written as DICOM. No patient in them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid

AIR_HU, SOFT_HU, BONE_HU = -1000, 40, 1000
PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH = "Samplethwaite^Sunniva", "ZQ-55-0913", "19310417"
UID_ROOT = "2.25."

Shape = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]


def sphere_hu(
    points: npt.NDArray[np.float64], center: Sequence[float] = (0.0, 0.0, 0.0), radius: float = 24.0
) -> npt.NDArray[np.float64]:
    """A ball of bone in air with an edge blurred over 1 mm: half of the step lies exactly at the radius."""
    depth = radius - np.linalg.norm(points - np.asarray(center), axis=-1)
    return AIR_HU + (BONE_HU - AIR_HU) * np.clip(depth + 0.5, 0.0, 1.0)


def asymmetric_hu(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """A ball of soft tissue with bony balls to the left, to the back and on top, each of its own size."""
    values = sphere_hu(points, (0, 0, 0), 20.0) * 0 + AIR_HU
    for center, radius, hu in (((14, 0, 0), 6, 900), ((0, 13, 0), 5, 600), ((0, 0, 12), 4, 300)):
        depth = radius - np.linalg.norm(points - np.array(center), axis=-1)
        values = np.maximum(values, AIR_HU + (hu - AIR_HU) * np.clip(depth + 0.5, 0.0, 1.0))
    return values


MARKS = (((12.0, 0.0, 0.0), 1500.0), ((0.0, 12.0, 0.0), 2000.0), ((0.0, 0.0, 12.0), 2500.0))
"""Where in :func:`marked_sphere_hu` denser balls lie, to the left, to the back and to the top, and their HU."""


def marked_sphere_hu(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The ball of :func:`sphere_hu` with three marks inside, so that sides can be told."""
    values = sphere_hu(points)
    for center, hu in MARKS:
        depth = 4.0 - np.linalg.norm(points - np.array(center), axis=-1)
        values += (hu - BONE_HU) * np.clip(depth + 0.5, 0.0, 1.0)
    return values


def grid_positions(count: int = 64, gap: float = 1.0) -> list[float]:
    """Evenly spaced distances along the normal, centred on 0."""
    return [(k - (count - 1) / 2) * gap for k in range(count)]


def make_slices(
    distances: Sequence[float] | None = None,
    shape: Shape = sphere_hu,
    row: Sequence[float] = (1, 0, 0),
    column: Sequence[float] = (0, 1, 0),
    size: int = 64,
    pixel: float = 1.0,
    table: Sequence[float] | None = None,
    slope: float = 1.0,
    intercept: float = -1024.0,
    series_uid: str | None = None,
) -> list[FileDataset]:
    """Return CT slices of a shape, each sampled where its header says it lies.

    ``table`` is the direction in which the slices are stacked, unit length along the normal; other than the normal
    for a tilted gantry. Distances are measured along the normal.
    """
    row_lps, column_lps = np.array(row, float), np.array(column, float)
    normal = np.cross(row_lps, column_lps)
    along = normal if table is None else np.array(table, float) / np.dot(table, normal)
    half = (size - 1) / 2 * pixel
    series_uid = series_uid or generate_uid(prefix=UID_ROOT)
    study_uid, frame_uid = generate_uid(prefix=UID_ROOT), generate_uid(prefix=UID_ROOT)
    i = np.arange(size) * pixel
    made = []
    for n, distance in enumerate(grid_positions() if distances is None else distances):
        position = -half * row_lps - half * column_lps + distance * along
        points = position + i[None, :, None] * row_lps + i[:, None, None] * column_lps
        stored = np.rint((shape(points) - intercept) / slope).astype(np.int16)
        made.append(_slice(n, stored, position, row_lps, column_lps, pixel, slope, intercept))
        made[-1].SeriesInstanceUID, made[-1].StudyInstanceUID = series_uid, study_uid
        made[-1].FrameOfReferenceUID = frame_uid
    return made


def _slice(
    number: int,
    stored: npt.NDArray[np.int16],
    position: npt.NDArray[np.float64],
    row: npt.NDArray[np.float64],
    column: npt.NDArray[np.float64],
    pixel: float,
    slope: float,
    intercept: float,
) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(prefix=UID_ROOT)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
    ds.PatientName, ds.PatientID, ds.PatientBirthDate = PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH
    ds.Modality, ds.ImageType = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.SeriesNumber, ds.InstanceNumber, ds.AcquisitionNumber = 3, number + 1, 1
    ds.SeriesDescription, ds.ConvolutionKernel, ds.PatientPosition = "Synthetic pelvis 1.0", "B60", "HFS"
    ds.Rows, ds.Columns = stored.shape
    ds.PixelSpacing = [pixel, pixel]
    ds.SliceThickness = 1.0
    ds.ImagePositionPatient = [f"{v:.10g}"[:16] for v in position]
    ds.ImageOrientationPatient = [f"{v:.12f}"[:16] for v in (*row, *column)]
    ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = slope, intercept, "HU"
    ds.PhotometricInterpretation, ds.SamplesPerPixel = "MONOCHROME2", 1
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 16, 15, 1
    ds.PixelData = stored.tobytes()
    return ds


def tilted_slices(angle_deg: float, shape: Shape = sphere_hu) -> list[FileDataset]:
    """Slices of a gantry tilted about the patient's left axis, stacked along the table."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    # 64 slices 1 mm apart along the table lie cos(angle) mm apart along their normal.
    return make_slices(grid_positions(64, c), shape, column=(0, c, s), table=(0, 0, 1))


def write_slices(folder: Path, slices: Sequence[Dataset], seed: int = 1, prefix: str = "f") -> Path:
    """Write slices under meaningless names, shuffled, in nested folders."""
    names = np.random.default_rng(seed).permutation(len(slices))
    for name, ds in zip(names, slices, strict=True):
        path = folder / f"part{name % 3}" / f"{prefix}{name:03d}"
        path.parent.mkdir(parents=True, exist_ok=True)
        ds.save_as(path, enforce_file_format=True)
    return folder


def stored_pixels(ds: Dataset) -> npt.NDArray[np.int16]:
    """Return a slice's stored values, writable."""
    return np.frombuffer(ds.PixelData, np.int16).reshape(ds.Rows, ds.Columns).copy()


def volume_above(voxels: npt.NDArray[np.floating], voxel_mm3: float, threshold: float = 0.0) -> float:
    """Return the volume in ml above a threshold, each voxel counted."""
    return float(np.count_nonzero(voxels > threshold)) * voxel_mm3 / 1000


def extent_mm(volume: Volume, direction: np.ndarray) -> float:
    """Length of the line through the origin that lies above the half-height of the step between air and bone."""
    along = np.arange(-30, 30.001, 0.05)
    values = sample(volume, along[:, None] * direction)
    inside = np.flatnonzero(values > 0)
    first, last = inside[0], inside[-1]
    low = along[first] - 0.05 * values[first] / (values[first] - values[first - 1])
    high = along[last] + 0.05 * values[last] / (values[last] - values[last + 1])
    return float(high - low)
