"""Builders of the faulty series in :mod:`tests.reliability.defects`: a marked ball, and one thing wrong with it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.uid import generate_uid

from tests.image.dicom_phantom import (
    grid_positions,
    make_slices,
    marked_sphere_hu,
    stored_pixels,
    tilted_slices,
    write_slices,
)

Slices = list[Any]
Writer = Callable[[Path], Path]


def whole(**changes: Any) -> Slices:
    """The ball without a fault, 64 slices 1 mm apart."""
    return make_slices(shape=marked_sphere_hu, **changes)


def without(*lost: int) -> Slices:
    return [s for n, s in enumerate(whole()) if n not in lost]


def each(slices: Slices, **fields: Any) -> Slices:
    for ds in slices:
        for keyword, value in fields.items():
            setattr(ds, keyword, value)
    return slices


def one(number: int, **fields: Any) -> Slices:
    """The ball with one slice's header changed; None takes a field out."""
    slices = whole()
    for keyword, value in fields.items():
        if value is None:
            delattr(slices[number], keyword)
        else:
            setattr(slices[number], keyword, value)
    return slices


def all_without(keyword: str) -> Slices:
    slices = whole()
    for ds in slices:
        delattr(ds, keyword)
    return slices


def tilted_with_a_gap() -> Slices:
    slices = tilted_slices(12.0, marked_sphere_hu)
    del slices[20]
    return slices


def doubled(differs: bool = False) -> Slices:
    slices = whole()
    twin = copy.deepcopy(slices[20])
    twin.SOPInstanceUID = generate_uid()
    twin.file_meta.MediaStorageSOPInstanceUID = twin.SOPInstanceUID
    if differs:
        twin.PixelData = slices[25].PixelData
    return [*slices, twin]


def with_scout(image_type: Sequence[str]) -> Slices:
    slices = whole()
    scout = make_slices([0.0], row=(1, 0, 0), column=(0, 0, -1), series_uid=slices[0].SeriesInstanceUID)
    scout[0].ImageType, scout[0].FrameOfReferenceUID = list(image_type), slices[0].FrameOfReferenceUID
    scout[0].StudyInstanceUID = slices[0].StudyInstanceUID
    return slices + scout


def moved(share: float) -> Slices:
    rng = np.random.default_rng(4)
    return whole(distances=np.array(grid_positions()) + share * rng.uniform(-1, 1, 64))


def two(second: Callable[[Slices], Slices], same_uid: bool = False) -> Slices:
    first, other = whole(), second(whole())
    for ds in other:
        ds.SeriesNumber = 7
        ds.SeriesInstanceUID = first[0].SeriesInstanceUID if same_uid else ds.SeriesInstanceUID
    return first + other


def oblong() -> Slices:
    """Pixels of 0.5 mm from row to row and 1 mm from column to column."""
    slices = whole(size=128, pixel=0.5)
    for ds in slices:
        pixels = np.ascontiguousarray(stored_pixels(ds)[:, ::2])
        ds.Columns, ds.PixelSpacing, ds.PixelData = 64, [0.5, 1.0], pixels.tobytes()
    return slices


def two_halves() -> Slices:
    slices = whole()
    each(slices[:40], SeriesInstanceUID=generate_uid())
    return slices


def scaled(slopes: Iterable[tuple[float, float]]) -> Slices:
    """Each slice stored by its own slope and intercept, which its header states."""
    slices, kinds = whole(), list(slopes)
    for n, ds in enumerate(slices):
        slope, intercept = kinds[n % len(kinds)]
        hu = stored_pixels(ds) - 1024.0
        ds.RescaleSlope, ds.RescaleIntercept = slope, intercept
        ds.PixelData = np.rint((hu - intercept) / slope).astype(np.int16).tobytes()
    return slices


def metal(hu: int) -> Slices:
    slices = whole()
    pixels = stored_pixels(slices[32])
    pixels[30:33, 30:33] = min(hu + 1024, 32767)
    slices[32].PixelData = pixels.tobytes()
    if hu + 1024 > 32767:
        pixels = pixels.astype(np.uint16)
        pixels[30:33, 30:33] = hu + 1024
        slices[32].PixelData, slices[32].PixelRepresentation = pixels.tobytes(), 0
    return slices


def twelve_bit(wrong_sign: bool) -> Slices:
    """Stored in 12 bits, unsigned as scanners do; or so, with a header that calls them signed."""
    slices = whole()
    for ds in slices:
        pixels = stored_pixels(ds)
        assert pixels.min() >= 0
        assert pixels.max() < 4096
        ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 12, 11, int(wrong_sign)
    return slices


def negative_as_unsigned() -> Slices:
    slices = whole()
    for ds in slices:
        ds.PixelData, ds.RescaleIntercept, ds.PixelRepresentation = (stored_pixels(ds) - 1024).tobytes(), 0, 0
    return slices


def monochrome1(inverted: bool) -> Slices:
    slices = each(whole(), PhotometricInterpretation="MONOCHROME1")
    for ds in slices if inverted else []:
        ds.PixelData = (2048 - stored_pixels(ds)).astype(np.int16).tobytes()
    return slices


def compressed(syntax: Any) -> Slices:
    slices = whole()
    for ds in slices:
        ds.compress(syntax, generate_instance_uid=False)
    return slices


def named(name: str, charset: str | list[str]) -> Slices:
    slices = each(whole(), SpecificCharacterSet=charset, SeriesDescription="Hip")
    return each(slices, PatientName=name)


def cut_short() -> Writer:
    def write(folder: Path) -> Path:
        write_slices(folder, whole())
        file = sorted(p for p in folder.rglob("*") if p.is_file())[17]
        file.write_bytes(file.read_bytes()[:-1000])
        return folder

    return write


def nothing() -> Writer:
    return lambda folder: folder


def lying(row: Sequence[float], column: Sequence[float], position: str) -> Slices:
    return each(whole(row=row, column=column), PatientPosition=position)


def oblique() -> Slices:
    from scipy.spatial.transform import Rotation

    axes = Rotation.from_euler("xyz", (25, -35, 50), degrees=True).as_matrix()
    return whole(row=axes[:, 0], column=axes[:, 1])


def pelvis_sized(columns: int) -> Slices:
    """A coarse pelvis-sized grid; fewer columns are half a field of view."""
    slices = make_slices(grid_positions(64, 2.5), size=32, pixel=8.0)
    for ds in slices:
        pixels = np.ascontiguousarray(stored_pixels(ds)[:, :columns])
        ds.Columns, ds.PixelData = columns, pixels.tobytes()
    return slices


def both_blocks() -> Slices:
    return whole(distances=[*np.arange(-32, 0, 1.0), *np.arange(0, 33, 2.0)])
