"""X-ray pictures made for the tests: a body of known shapes, shown as screens show it, and DICOM files of it.

No patient in them: names and numbers are planted to see that they never come out.
"""

import numpy as np
from cotyle.xray.display import Display, Polarity, Scale, render
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH = "Squibblethwaite^Zephyrina", "ZQ-55-0913", "19310417"

SOP_CLASSES = {  # PS3.6 annex A
    "XA": "1.2.840.10008.5.1.4.1.1.12.1",
    "RF": "1.2.840.10008.5.1.4.1.1.12.2",
    "DX": "1.2.840.10008.5.1.4.1.1.1.1",
    "CR": "1.2.840.10008.5.1.4.1.1.1",
    "OT": "1.2.840.10008.5.1.4.1.1.7",
    "enhanced XA": "1.2.840.10008.5.1.4.1.1.12.1.1",
}


def body(size=256, metal=True, air_beside=True, seed=0):
    """Line integrals of something like a hip, shape (size, size): flesh, two bony rings with thin hard edges, metal.

    Everything is blurred by a pixel or two, as a detector does.
    """
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:size, :size] / size
    across = x - 0.35 - 0.25 * (y - 0.4) ** 2
    flesh = 3.0 * np.sqrt(np.clip(1.0 - (across / (0.55 if air_beside else 1.2)) ** 2, 0.0, None))
    made = flesh + 0.15 * ndimage.gaussian_filter(rng.standard_normal((size, size)), size / 40) * size / 40
    for cx, cy, radius, wall in ((0.55, 0.5, 0.17, 0.9), (0.3, 0.65, 0.13, 0.7), (0.25, 0.25, 0.22, 0.6)):
        far = np.hypot(x - cx, (y - cy) * 1.15)
        made += 0.5 * (far < radius) + wall * np.exp(-(((far - radius) / 0.008) ** 2))
    made += 0.8 * np.exp(-(((x - 0.62 - 0.3 * (y - 0.5)) / 0.02) ** 2)) * (y > 0.5)
    if metal:
        made += 6.0 * ((np.hypot(x - 0.55, y - 0.5) < 0.09) & (y < 0.52 + 0.3 * (x - 0.55)))
    return np.maximum(ndimage.gaussian_filter(made, max(size / 300, 0.8)), 0.0)


def shown(integrals, polarity=Polarity.BONE_DARK, scale=Scale.LOG, round_field=False, photons=20_000.0, seed=0):
    """8-bit grey as on a screen."""
    return render(integrals, Display(polarity, scale, (0.3, 6.0), photons, round_field), seed)


def dicom(pixels, modality="XA", photometric="MONOCHROME2", **fields):
    """A DICOM file of grey (rows, columns), (frames, rows, columns) or colour (rows, columns, 3) pixels."""
    meta = FileMetaDataset()
    kind = "enhanced XA" if "PerFrameFunctionalGroupsSequence" in fields else modality
    meta.MediaStorageSOPClassUID = SOP_CLASSES.get(kind, SOP_CLASSES["OT"])
    meta.MediaStorageSOPInstanceUID = generate_uid(prefix="2.25.")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(prefix="2.25."), generate_uid(prefix="2.25.")
    ds.PatientName, ds.PatientID, ds.PatientBirthDate = PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH
    ds.Modality, ds.ImageType = modality, ["ORIGINAL", "PRIMARY"]
    color = pixels.ndim == 3 and pixels.shape[-1] == 3
    ds.Rows, ds.Columns = pixels.shape[:2] if color or pixels.ndim == 2 else pixels.shape[1:]
    if pixels.ndim == 3 and not color:
        ds.NumberOfFrames = len(pixels)
    ds.SamplesPerPixel, ds.PhotometricInterpretation = (3, "RGB") if color else (1, photometric)
    if color:
        ds.PlanarConfiguration = 0
    bits = 8 * pixels.dtype.itemsize
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = bits, bits, bits - 1, 0
    ds.PixelData = pixels.tobytes()
    ds["PixelData"].VR = "OW" if bits > 8 else "OB"
    for name, value in fields.items():
        setattr(ds, name, value)
    return ds


def saved(ds, path):
    ds.save_as(path, enforce_file_format=True)
    return path


def item(**fields):
    """A sequence of one item."""
    ds = Dataset()
    for name, value in fields.items():
        setattr(ds, name, value)
    return Sequence([ds])


def group(**macros):
    """One functional group."""
    ds = Dataset()
    for name, value in macros.items():
        setattr(ds, name, value)
    return ds
