"""Builders of series whose headers and pixels say two things: what a stranger with ill will, or a bad export, sends."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path

import numpy as np
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset, FileDataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import EnhancedCTImageStorage, generate_uid

from tests.image.dicom_phantom import grid_positions, make_slices, marked_sphere_hu, stored_pixels, write_slices
from tests.reliability.faulty_series import Slices, Writer, each, oblong, twelve_bit, whole

PRIVATE_SYNTAX = "2.25.13371337.1"


def interleaved(acquisition: int = 1) -> Slices:
    """Two balls, one 8 mm to the left, their slices taking turns every 0.5 mm under one UID."""
    first = whole()

    def beside(points: np.ndarray) -> np.ndarray:
        return marked_sphere_hu(points - np.array([8.0, 0.0, 0.0]))

    second = make_slices(np.array(grid_positions()) + 0.5, beside)
    return noisy(first + _under_one_series(each(second, AcquisitionNumber=acquisition), first))


def two_patients() -> Slices:
    """The upper half is somebody else's, under the same UIDs."""
    slices = whole()
    each(slices[32:], PatientID="ZQ-55-0914")
    return slices


def stated(rows: Callable[[int], bool], **fields: object) -> Slices:
    """Some slices' headers changed without their pixels."""
    slices = whole()
    each([ds for n, ds in enumerate(slices) if rows(n)], **fields)
    return slices


def hu_stored_in_half() -> Slices:
    """Half of the slices hold HU themselves, under a header that says stored - 1024."""
    slices = whole()
    for ds in slices[32:]:
        ds.PixelData = (stored_pixels(ds) - 1024).tobytes()
    return slices


def turned_spacing() -> Slices:
    """Pixels of 0.5 x 1 mm whose header names the two numbers in the wrong order."""
    return each(oblong(), PixelSpacing=[1.0, 0.5], ReconstructionDiameter=64)


def upright_pixels() -> Slices:
    """Pixels of 1 mm from row to row and 0.5 mm from column to column."""
    slices = whole(size=128, pixel=0.5)
    for ds in slices:
        pixels = np.ascontiguousarray(stored_pixels(ds)[::2])
        ds.Rows, ds.PixelSpacing, ds.PixelData = 64, [1.0, 0.5], pixels.tobytes()
    return slices


def spacing_of_the_detector() -> Slices:
    slices = each(whole(), ImagerPixelSpacing=[1.0, 1.0])
    for ds in slices:
        del ds.PixelSpacing
    return slices


def one_negative_as_unsigned() -> Slices:
    slices = whole()
    slices[20].PixelData = (stored_pixels(slices[20]) - 1024).tobytes()
    slices[20].RescaleIntercept, slices[20].PixelRepresentation = 0, 0
    return slices


def tilted_along_its_normal() -> Slices:
    """A tilted gantry whose table went along with it: an oblique stack, not a sheared one."""
    c, s = np.cos(np.radians(12.0)), np.sin(np.radians(12.0))
    return each(whole(column=(0, c, s)), GantryDetectorTilt=12)


def nearly_one_place() -> Slices:
    """A slice that lies 0.02 mm beside another and shows something else."""
    slices = whole()
    twin = copy.deepcopy(slices[20])
    twin.SOPInstanceUID = twin.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    x, y, z = (float(v) for v in twin.ImagePositionPatient)
    twin.ImagePositionPatient, twin.PixelData = [x, y, round(z + 0.02, 4)], slices[25].PixelData
    return [*slices, twin]


def reversed_numbers() -> Slices:
    slices = whole()
    for n, ds in enumerate(slices):
        ds.InstanceNumber = 64 - n
    return slices


def private_syntax() -> Slices:
    slices = whole()
    for ds in slices:
        ds.file_meta.TransferSyntaxUID = PRIVATE_SYNTAX
    return slices


def with_commas(keyword: str, text: str, rows: slice = slice(None)) -> Slices:
    """A number written with a comma for its point."""
    slices = whole()
    for ds in slices[rows]:
        tag = Tag(keyword)
        ds[tag] = RawDataElement(tag, "DS", len(text), text.encode(), 0, False, True, True)
    return slices


def rounded_positions() -> Slices:
    """Slices 1.25 mm apart whose positions are written in whole millimetres."""
    slices = make_slices(grid_positions(52, 1.25), marked_sphere_hu)
    for ds in slices:
        ds.ImagePositionPatient = [round(float(v)) if n == 2 else v for n, v in enumerate(ds.ImagePositionPatient)]
    return slices


def wrapped_in_half() -> Slices:
    """Twelve bits, unsigned; the upper half's headers call them signed."""
    slices = twelve_bit(wrong_sign=False)
    return each(slices[:32], PixelRepresentation=0) + each(slices[32:], PixelRepresentation=1)


def inverted_in_half() -> Slices:
    """The upper half stored as its own negative, which no header says."""
    slices = whole()
    for ds in slices[32:]:
        ds.PixelData = (2048 - stored_pixels(ds)).astype(np.int16).tobytes()
    return slices


def blank() -> Slices:
    slices = noisy()
    slices[20].PixelData = np.zeros((64, 64), np.int16).tobytes()
    return slices


def half_blank() -> Slices:
    slices = noisy()
    pixels = stored_pixels(slices[30])
    pixels[32:] = 0
    slices[30].PixelData = pixels.tobytes()
    return slices


def exchanged(one: int, other: int) -> Slices:
    """The pictures of two slices have changed places."""
    slices = noisy()
    slices[one].PixelData, slices[other].PixelData = slices[other].PixelData, slices[one].PixelData
    return slices


def noisy(slices: Slices | None = None) -> Slices:
    """Slices, those of the ball if not given, with the noise of a scanner (20 HU), which no two share."""
    slices, rng = whole() if slices is None else slices, np.random.default_rng(8)
    for ds in slices:
        noise = np.rint(rng.normal(0, 20, (ds.Rows, ds.Columns)))
        ds.PixelData = (stored_pixels(ds) + noise).astype(np.int16).tobytes()
    return slices


def repeated() -> Slices:
    """One picture stands at two places."""
    slices = noisy()
    slices[21].PixelData = slices[20].PixelData
    return slices


def thinner_by_copies() -> Slices:
    """Slices of 2 mm, each written twice, 1 mm apart."""
    slices = noisy()
    for n in range(0, 64, 2):
        slices[n + 1].PixelData = slices[n].PixelData
    return slices


def upper_bits() -> Slices:
    """Twelve bits stored in the upper part of sixteen."""
    slices = whole()
    for ds in slices:
        ds.PixelData = (stored_pixels(ds).astype(np.uint16) << 4).tobytes()
        ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 12, 15, 0
    return slices


def table_moved_sideways() -> Slices:
    """Amid the scan the table went 5 mm to the left; the positions follow it."""
    below = whole(distances=grid_positions()[:32])
    above = make_slices(grid_positions()[32:], lambda points: marked_sphere_hu(points + np.array([5.0, 0, 0])))
    for ds in above:
        x, y, z = ds.ImagePositionPatient
        ds.ImagePositionPatient = [float(x) + 5.0, y, z]
    return below + _under_one_series(above, below)


def enhanced(spacing_of_frame: dict[int, float] | None = None, described: int | None = None) -> Writer:
    """One enhanced CT file of 64 frames; some with another pixel spacing, or with fewer descriptions than frames."""

    def write(folder: Path) -> Path:
        made = _enhanced(whole(), spacing_of_frame or {})
        if described is not None:
            made.PerFrameFunctionalGroupsSequence = made.PerFrameFunctionalGroupsSequence[:described]
        return write_slices(folder, [made])

    return write


def _enhanced(slices: Slices, spacing_of_frame: dict[int, float]) -> FileDataset:
    made = copy.deepcopy(slices[0])
    made.SOPClassUID = made.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    groups = []
    for n, ds in enumerate(slices):
        measures, plane, turn, values = Dataset(), Dataset(), Dataset(), Dataset()
        measures.PixelSpacing = [spacing_of_frame.get(n, 1.0)] * 2
        plane.ImagePositionPatient, turn.ImageOrientationPatient = ds.ImagePositionPatient, ds.ImageOrientationPatient
        values.RescaleSlope, values.RescaleIntercept, values.RescaleType = 1, -1024, "HU"
        group = Dataset()
        group.PixelMeasuresSequence, group.PlanePositionSequence = Sequence([measures]), Sequence([plane])
        group.PlaneOrientationSequence = Sequence([turn])
        group.PixelValueTransformationSequence = Sequence([values])
        groups.append(group)
    told_by_frame = ("PixelSpacing", "ImagePositionPatient", "ImageOrientationPatient")
    for keyword in (*told_by_frame, "RescaleSlope", "RescaleIntercept"):
        delattr(made, keyword)
    made.PerFrameFunctionalGroupsSequence, made.NumberOfFrames = Sequence(groups), len(slices)
    made.PixelData = b"".join(ds.PixelData for ds in slices)
    return made


def _under_one_series(slices: Slices, model: Slices) -> Slices:
    first = model[0]
    return each(
        slices,
        SeriesInstanceUID=first.SeriesInstanceUID,
        StudyInstanceUID=first.StudyInstanceUID,
        FrameOfReferenceUID=first.FrameOfReferenceUID,
    )
