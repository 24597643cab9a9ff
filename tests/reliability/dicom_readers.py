"""The objects of an export opened by readers that did not write them and are not ours.

dcmtk (Debian), dcmqi (PyPI, in an environment of its own: its programs must be on the path), GDCM, SimpleITK, and the
core of the imaging platform. Each reading tells how many of how many things came out as the case has them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pydicom
import SimpleITK as sitk

from tests.report.dicom.report_reading import numbers

REPORTS = ("measurements.dcm", "comparison-1.dcm", "decisions.dcm")


@dataclass(frozen=True)
class Reading:
    """What a reader made of some objects: how many of how many agree with what the case holds."""

    objects: str
    reader: str
    compared: str
    agree: int
    of: int

    @property
    def good(self) -> bool:
        return self.agree == self.of > 0


def readings(folder: Path, case: Path) -> tuple[list[Reading], list[str]]:
    """Return all readings of an export of nobody, and which readers are not installed."""
    found: list[Reading] = []
    absent: list[str] = []
    for needs, read in (
        ("dsr2xml", _reports_by_dcmtk),
        ("dsr2html", _pages_by_dcmtk),
        ("tid1500reader", _reports_by_dcmqi),
        ("segimage2itkimage", _bones_by_dcmqi),
        ("", _bones_by_simpleitk),
        ("dcm2pdf", _report_by_dcmtk),
        ("dcm2json", _surfaces_by_dcmtk),
        ("dcm2pnm", _pictures_by_dcmtk),
        ("", _pictures_by_simpleitk),
        ("", _pictures_by_gdcm),
        ("", _scan_by_simpleitk),
        ("", _scan_by_the_platform),
        ("dcm2json", _headers_by_dcmtk),
    ):
        if needs and not shutil.which(needs):
            absent.append(needs)
            continue
        try:
            found += read(folder, case)
        except ImportError as missing:
            absent.append(str(missing.name))
    return found, absent


def _reports_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    del case
    for name in REPORTS:
        tree = ET.fromstring(_run("dsr2xml", "+U8", folder / name))
        theirs = Counter(
            (item.findtext("concept/value"), float(item.findtext("value")), item.findtext("unit/value"))
            for item in tree.iter("num")
        )
        ours = _numbers(folder / name)
        yield Reading(name, "dcmtk `dsr2xml`", "numbers, units", (ours & theirs).total(), ours.total())


def _pages_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    del case
    pages = [_run("dsr2html", "+U8", folder / name).decode() for name in REPORTS]
    told = sum("Research software, not a medical device" in page for page in pages)
    yield Reading("the three SRs", "dcmtk `dsr2html`", "the page bears the caution", told, len(pages))


def _reports_by_dcmqi(folder: Path, case: Path) -> Iterator[Reading]:
    del case
    for name in REPORTS:
        with tempfile.TemporaryDirectory() as place:
            out = Path(place, "read.json")
            _run("tid1500reader", "--inputDICOM", folder / name, "--outputMetadata", out)
            groups = json.loads(out.read_text(encoding="utf-8"))["Measurements"]
        theirs = Counter(
            (item["quantity"]["CodeValue"], float(item["value"]), item["units"]["CodeValue"])
            for group in groups
            for item in group.get("measurementItems", ())
        )
        ours = _numbers(folder / name, ranges=False)
        yield Reading(name, "dcmqi `tid1500reader`", "numbers, units", (ours & theirs).total(), ours.total())


def _bones_by_dcmqi(folder: Path, case: Path) -> Iterator[Reading]:
    with tempfile.TemporaryDirectory() as place:
        _run(
            "segimage2itkimage", "--inputDICOM", folder / "segmentation.dcm", "--outputDirectory", place,
            "--mergeSegments", "-p", "bones",
        )  # fmt: skip
        (image,) = Path(place).glob("*.nrrd")
        (meta,) = Path(place).glob("*.json")
        described = json.loads(meta.read_text(encoding="utf-8"))["segmentAttributes"]
        names = {each["labelID"]: each["SegmentLabel"] for part in described for each in part}
        yield from _bones("dcmqi `segimage2itkimage`", sitk.ReadImage(str(image)), names, case)


def _bones_by_simpleitk(folder: Path, case: Path) -> Iterator[Reading]:
    """GDCM reads the frames of a segmentation as they lie in the file; where they belong is read by pydicom."""
    stored = sitk.GetArrayFromImage(sitk.ReadImage(str(folder / "segmentation.dcm")))
    header = pydicom.dcmread(folder / "segmentation.dcm", stop_before_pixels=True)
    per_segment = Counter[int]()
    for frame, groups in zip(stored, header.PerFrameFunctionalGroupsSequence, strict=True):
        number = int(groups.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
        per_segment[number] += int(np.count_nonzero(frame))
    labels, numbers_of = _labels(case)
    wanted = {each.SegmentNumber: numbers_of[_bone(each.SegmentLabel)] for each in header.SegmentSequence}
    right = sum(per_segment[int(n)] == np.count_nonzero(labels == label) for n, label in wanted.items())
    yield Reading("segmentation", "SimpleITK (GDCM)", "voxels of each bone, counted", right, len(wanted))


def _report_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    with tempfile.TemporaryDirectory() as place:
        out = Path(place, "report.pdf")
        _run("dcm2pdf", folder / "report.dcm", out)
        same = out.read_bytes() == (case / "report.pdf").read_bytes()
    yield Reading("report", "dcmtk `dcm2pdf`", "PDF, byte for byte", int(same), 1)


def _surfaces_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    files = sorted((case / "mesh").glob("*.stl"))
    same = 0
    for file in files:
        held = pydicom.Dataset.from_json(
            _run("dcm2json", folder / f"surface-{file.stem.replace('_', '-')}.dcm").decode()
        )
        same += held.EncapsulatedDocument[: held.EncapsulatedDocumentLength] == file.read_bytes()
    yield Reading("surfaces", "dcmtk `dcm2json`", "STL, byte for byte", same, len(files))


def _pictures_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    found = []
    for file, pixels in _pictures(folder, case):
        with tempfile.TemporaryDirectory() as place:
            out = Path(place, "picture.ppm")
            _run("dcm2pnm", "+op", file, out)
            found.append(np.array_equal(sitk.GetArrayFromImage(_ppm(out)), pixels))
    yield Reading("pictures", "dcmtk `dcm2pnm`", "pixels of the case's PNG", sum(found), len(found))


def _pictures_by_simpleitk(folder: Path, case: Path) -> Iterator[Reading]:
    found = [
        np.array_equal(sitk.GetArrayFromImage(sitk.ReadImage(str(file))).reshape(pixels.shape), pixels)
        for file, pixels in _pictures(folder, case)
    ]
    yield Reading("pictures", "SimpleITK", "pixels of the case's PNG", sum(found), len(found))


def _pictures_by_gdcm(folder: Path, case: Path) -> Iterator[Reading]:
    import gdcm

    found = []
    for file, pixels in _pictures(folder, case):
        reader = gdcm.ImageReader()
        reader.SetFileName(str(file))
        assert reader.Read()
        data = reader.GetImage().GetBuffer().encode("utf-8", errors="surrogateescape")
        found.append(data == pixels.tobytes())
    yield Reading("pictures", "GDCM", "pixels of the case's PNG", sum(found), len(found))


def _scan_by_simpleitk(folder: Path, case: Path) -> Iterator[Reading]:
    kept = sitk.ReadImage(str(case / "ct.nrrd"))
    with tempfile.TemporaryDirectory() as place:
        for file in folder.glob("scan-*.dcm"):
            shutil.copy(file, place)
        names = sitk.ImageSeriesReader.GetGDCMSeriesFileNames(place)
        read = sitk.ReadImage(names)
    yield _voxels("scan", "SimpleITK", read, kept)


def _scan_by_the_platform(folder: Path, case: Path) -> Iterator[Reading]:
    from slicer import vtkMRMLScalarVolumeNode, vtkMRMLScene, vtkMRMLVolumeArchetypeStorageNode
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkCommonMath import vtkMatrix4x4

    scene, node, storage = vtkMRMLScene(), vtkMRMLScalarVolumeNode(), vtkMRMLVolumeArchetypeStorageNode()
    scene.AddNode(node)
    scene.AddNode(storage)
    files = sorted(folder.glob("scan-*.dcm"))
    storage.SetFileName(str(files[0]))
    storage.ResetFileNameList()
    for file in files:
        storage.AddFileName(str(file))
    storage.SetSingleFile(0)
    assert storage.ReadData(node)
    matrix = vtkMatrix4x4()
    node.GetIJKToRASMatrix(matrix)
    affine = np.array([[matrix.GetElement(r, c) for c in range(4)] for r in range(4)])
    affine = np.diag([-1.0, -1.0, 1.0, 1.0]) @ affine  # the scene is RAS
    data = node.GetImageData()
    voxels = vtk_to_numpy(data.GetPointData().GetScalars()).reshape(data.GetDimensions()[::-1])
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    read = sitk.GetImageFromArray(voxels)
    read.SetSpacing(spacing.tolist())
    read.SetOrigin(affine[:3, 3].tolist())
    read.SetDirection((affine[:3, :3] / spacing).ravel().tolist())
    yield _voxels("scan", "core of the imaging platform", read, sitk.ReadImage(str(case / "ct.nrrd")))


def _headers_by_dcmtk(folder: Path, case: Path) -> Iterator[Reading]:
    del case
    files = sorted(folder.glob("*.dcm"))
    scans = [file for file in files if file.name.startswith("scan-")]
    chosen = [file for file in files if file not in scans] + scans[:2]
    same = 0
    for file in chosen:
        theirs = pydicom.Dataset.from_json(_run("dcm2json", file).decode())
        ours = pydicom.dcmread(file)
        same += all(_alike(theirs, ours, element) for element in ours)
    yield Reading("all, two of the scan", "dcmtk `dcm2json`", "every attribute", same, len(chosen))


def _alike(theirs: pydicom.Dataset, ours: pydicom.Dataset, element: pydicom.DataElement) -> bool:
    if element.tag not in theirs:
        return False
    other = theirs[element.tag]
    if element.VR == "SQ":
        return len(other.value) == len(element.value) and all(
            _alike(a, b, inner) for a, b in zip(other.value, element.value, strict=True) for inner in b
        )
    if element.VR in {"FD", "FL", "DS"} and element.value not in (None, ""):
        return np.allclose(np.float64(other.value), np.float64(element.value), rtol=1e-6, atol=0)
    return (other.value or "") == (element.value or "")


def _bones(reader: str, read: sitk.Image, names: dict[int, str], case: Path) -> Iterator[Reading]:
    """Each labelled voxel is looked up at its place in space, so that grids may be cut or run the other way."""
    labels, numbers_of = _labels(case)
    kept = sitk.ReadImage(str(case / "bones.nrrd"))
    voxels = sitk.GetArrayFromImage(read)
    kji = np.argwhere(voxels)
    to_lps = np.array(read.GetDirection()).reshape(3, 3) * read.GetSpacing()
    lps = kji[:, ::-1] @ to_lps.T + np.array(read.GetOrigin())
    back = np.linalg.inv(np.array(kept.GetDirection()).reshape(3, 3) * kept.GetSpacing())
    exact = (lps - np.array(kept.GetOrigin())) @ back.T
    ijk = np.rint(exact).astype(int)
    on_grid = np.abs(exact - ijk).max(axis=1) < 1e-3
    table = np.zeros(int(voxels.max()) + 1, dtype=int)
    for number, label in names.items():
        table[number] = numbers_of[_bone(label)]
    agree = on_grid & (table[voxels[tuple(kji.T)]] == labels[tuple(ijk[:, ::-1].T)])
    wanted = int(np.count_nonzero(labels))
    # a voxel too many would not agree: it lies where the case has none
    right = int(agree.sum()) if len(kji) == wanted else min(int(agree.sum()), wanted - 1)
    yield Reading("segmentation", reader, "voxels of bones, at their place", right, wanted)


def _voxels(objects: str, reader: str, read: sitk.Image, kept: sitk.Image) -> Reading:
    corners = [[0, 0, 0], [n - 1 for n in kept.GetSize()]]
    placed = read.GetSize() == kept.GetSize() and all(
        np.allclose(read.TransformIndexToPhysicalPoint(c), kept.TransformIndexToPhysicalPoint(c), atol=1e-3)
        for c in corners
    )
    a, b = sitk.GetArrayFromImage(read), sitk.GetArrayFromImage(kept)
    return Reading(objects, reader, "voxels, at their place", int((a == b).sum()) if placed else 0, b.size)


def _labels(case: Path) -> tuple[np.ndarray, dict[str, int]]:
    image = sitk.ReadImage(str(case / "bones.nrrd"))
    names = json.loads(image.GetMetaData("label_names"))
    return sitk.GetArrayFromImage(image), {name: int(number) for number, name in names.items()}


def _bone(label: str) -> str:
    return label.lower().replace(" ", "_")


def _pictures(folder: Path, case: Path) -> Iterator[tuple[Path, np.ndarray]]:
    for file in sorted(folder.glob("comparison-1-*.dcm")):
        yield file, _png(case / "figures" / f"{file.stem}.png")
    yield folder / "view-01.dcm", _png(case / "xray" / "ap_pelvis-cup.png")


def _png(file: Path) -> np.ndarray:
    return sitk.GetArrayFromImage(sitk.ReadImage(str(file)))[..., :3]


def _ppm(file: Path) -> sitk.Image:
    from PIL import Image

    return sitk.GetImageFromArray(np.asarray(Image.open(file).convert("RGB")), isVector=True)


def _numbers(file: Path, ranges: bool = True) -> Counter[tuple[str, float, str]]:
    counted: Counter[tuple[str, float, str]] = Counter()
    for _, name, value, unit, spread in numbers(pydicom.dcmread(file), percent_as_share=False):
        counted[name.CodeValue, value, unit] += 1
        if ranges and spread is not None:
            counted["371884006", spread, unit] += 1
    return counted


def _run(*command: object) -> bytes:
    done = subprocess.run([str(word) for word in command], capture_output=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{command[0]}: {done.stderr.decode(errors='replace')[-400:]}")
    return done.stdout
