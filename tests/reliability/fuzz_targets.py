"""Ways in for files that strangers wrote, each as a function of bytes: only InputError may come out.

``python -m tests.reliability.fuzz`` feeds them with broken copies of the seeds; the tests do so for a few seconds and
feed them again with every input that ever broke one.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np
import pydicom
import SimpleITK as sitk
from cotyle.anatomy.landmark_files import read_landmarks
from cotyle.case import migration
from cotyle.case.json_text import read_json, to_json
from cotyle.case.plan_file import PlanFile
from cotyle.case.schema import validated
from cotyle.case.schema_files import file_kinds
from cotyle.errors import InputError
from cotyle.image.bone_names import read_name_table
from cotyle.image.check import describe
from cotyle.image.image_loader import load_here
from cotyle.image.label_files import read_labels
from cotyle.image.read import read_volume
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume
from cotyle.xray.pictures.picture_file import read_radiograph
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ImplicitVRLittleEndian, JPEGLSLossless

from tests.case.boxes import OLD, Box, Crate
from tests.case.boxes import STEPS as BOX_STEPS
from tests.image.dicom_phantom import asymmetric_hu, grid_positions, make_slices
from tests.xray.pictures.makers import dicom

FOUND = Path(__file__).parent / "found"
GOLDEN = Path(__file__).parents[1] / "case" / "golden"


@dataclass(frozen=True)
class Target:
    """A way in: its name, inputs to start from, and what is done with an input."""

    name: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], None]

    def found(self) -> list[Path]:
        """Return the inputs that once broke it."""
        return sorted((FOUND / self.name).glob("*")) if (FOUND / self.name).is_dir() else []


def _small_series() -> list[bytes]:
    """Six slices of 16 x 16 pixels, as files."""
    return [_bytes(ds) for ds in make_slices(grid_positions(6, 4.0), asymmetric_hu, size=16, pixel=3.0)]


def _bytes(ds: Dataset) -> bytes:
    buffer = io.BytesIO()
    dcmwrite(buffer, ds, enforce_file_format=True)
    return buffer.getvalue()


def _series_seeds() -> list[bytes]:
    seeds = []
    for syntax in (None, ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian, JPEGLSLossless):
        ds = make_slices(grid_positions(6, 4.0), asymmetric_hu, size=16, pixel=3.0)[2]
        if syntax == JPEGLSLossless:
            ds.compress(syntax, generate_instance_uid=False)
        elif syntax is not None:
            if syntax == ExplicitVRBigEndian:
                ds.PixelData = np.frombuffer(ds.PixelData, "<i2").astype(">i2").tobytes()
            ds.file_meta.TransferSyntaxUID = syntax
        seeds.append(_bytes(ds))
    return seeds


@contextlib.contextmanager
def _folder(files: dict[str, bytes]) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        for file, content in files.items():
            Path(name, file).write_bytes(content)
        yield Path(name)


def _series(data: bytes) -> None:
    """One slice of six is the input; the others are whole."""
    files = {f"s{n}": content for n, content in enumerate(_neighbours())}
    with _folder({**files, "s2": data}) as folder:
        _read_series(folder)


def _read_series(folder: Path) -> None:
    with contextlib.suppress(InputError):
        for report in describe(folder):
            json.dumps(report.as_dict(), allow_nan=False)
            assert report.row()
    with contextlib.suppress(InputError):
        volume, info = read_volume(folder, repair=True)
        assert np.isfinite(volume.voxels).all()
        assert info.as_dict()


HOSTILE: dict[str, tuple[object, ...]] = {
    "Rows": (0, 1, 15, 17, 65535),
    "Columns": (0, 1, 15, 17, 65535),
    "BitsAllocated": (0, 1, 8, 12, 16, 32, 64, 65535),
    "BitsStored": (0, 1, 8, 12, 17, 65535),
    "PixelRepresentation": (0, 1, 7),
    "SamplesPerPixel": (0, 1, 3, 65535),
    "NumberOfFrames": ("0", "1", "-1", "2", "2000000000", "x", ""),
    "PixelSpacing": (["1", "1"], ["0", "0"], ["-1", "1"], ["nan", "1"], ["1e300", "1"], ["1e-300", "1"], ["1"], ""),
    "ImagePositionPatient": (
        ["0", "0", "0"], ["0", "0", "nan"], ["1e300", "0", "0"], ["1e17", "0", "1e17"], ["0", "0"], ["0", "0", "0.004"],
        ["0", "0", "-9999"], "",
    ),
    "ImageOrientationPatient": (
        ["1", "0", "0", "0", "1", "0"], ["0", "0", "0", "0", "0", "0"], ["1", "0", "0", "1", "0", "0"], ["nan"] * 6,
        ["1e200", "0", "0", "0", "1e200", "0"], ["1", "0", "0", "0", "0.99", "0.1"], ["1"], "",
    ),
    "RescaleSlope": ("0", "-1", "nan", "inf", "1e300", "1e-300", "x", "", "2.5"),
    "RescaleIntercept": ("nan", "inf", "-1e300", "40000", "", "0.5"),
    "PixelPaddingValue": (0, 1, 32767),
    "PhotometricInterpretation": ("MONOCHROME1", "RGB", "PALETTE COLOR", ""),
    "Modality": ("MR", "", "CT\\MR"),
    "ImageType": (["LOCALIZER"], [""], ["DERIVED", "SECONDARY"]),
    "GantryDetectorTilt": ("12", "nan", "x"),
    "SeriesInstanceUID": ("", "1.2.3", "x" * 64),
    "StudyInstanceUID": ("", "1.2.3"),
    "FrameOfReferenceUID": ("", "1.2.3"),
    "InstanceNumber": ("", "x", "-1", "99999999999"),
    "AcquisitionNumber": ("2", "", "x"),
    "SpecificCharacterSet": ("ISO 999", "ISO_IR 192", "\\ISO 2022 IR 87", ""),
    "SeriesDescription": ("\x00\x1b[2J", "\u202etxt", "a" * 64, "<script>"),
    "PatientName": ("", "^^^^", "Sample^Anna=\u5c71"),
}  # fmt: skip
"""Header fields and what a slip or a stranger may write into them."""


def _edit_seeds() -> list[bytes]:
    return [json.dumps([[n % 6, keyword, m] for n, keyword in enumerate(HOSTILE)]).encode() for m in range(8)]


def random_edits(rng: random.Random) -> bytes:
    """Return a few edits: number of the slice (6 means all), keyword, number of the value in ``HOSTILE``."""
    keywords = list(HOSTILE)
    return json.dumps(
        [[rng.randrange(7), rng.choice(keywords), rng.randrange(8)] for _ in range(rng.choice((1, 1, 2, 3, 6)))]
    ).encode()


def _header(data: bytes) -> None:
    """The input lists edits of the headers of six slices."""
    try:
        edits = [(int(n) % 7, HOSTILE[word], word, int(m)) for n, word, m in json.loads(data)]
        slices = [pydicom.dcmread(io.BytesIO(content)) for content in _neighbours()]
        for number, values, keyword, choice in edits:
            for ds in slices if number == 6 else [slices[number]]:
                setattr(ds, keyword, values[choice % len(values)])
        files = {f"s{n}": _bytes(ds) for n, ds in enumerate(slices)}
    except Exception:  # what cannot be written cannot be read
        return
    with _folder(files) as folder:
        _read_series(folder)


def _label_seeds() -> list[bytes]:
    labels = np.zeros((8, 8, 8), np.uint8)
    labels[2:6, 2:6, 2:6] = 1
    image = to_sitk(Volume(labels, np.diag([4.0, 4.0, 4.0, 1.0])))
    image.SetMetaData("label_names", '{"1": "left_hip_bone"}')
    return [_image_bytes(image, packed) for packed in (False, True)]


def _image_bytes(image: object, packed: bool) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        sitk.WriteImage(image, str(Path(name, "a.nrrd")), useCompression=packed)
        return Path(name, "a.nrrd").read_bytes()


def _labels(data: bytes) -> None:
    ct = Volume(np.zeros((8, 8, 8), np.int16), np.diag([4.0, 4.0, 4.0, 1.0]))
    with _folder({"a.nrrd": data}) as folder, contextlib.suppress(InputError):
        assert read_labels(folder / "a.nrrd", ct).voxels.max() > 0


def _image_header(data: bytes) -> None:
    """The reader itself, in this process: what the child process keeps from us."""
    for suffix in (".nrrd", ".nii", ".mha"):
        with _folder({f"a{suffix}": data}) as folder, contextlib.suppress(InputError):
            load_here(folder / f"a{suffix}")


def _landmark_seeds() -> list[bytes]:
    markups = {
        "markups": [
            {
                "coordinateSystem": "LPS",
                "coordinateUnits": "mm",
                "controlPoints": [{"label": "asis_left", "position": [1.0, 2.0, 3.0]}],
            }
        ]
    }
    table = "# coordinate system: RAS\nname,x,y,z,uncertainty_mm\nasis_left,1,2,3,0.5\nasis_right,4,5,6,\n"
    own = {"asis_left": {"lps_mm": [1.0, 2.0, 3.0], "uncertainty_mm": 1.0}}
    return [json.dumps(own).encode(), json.dumps(markups).encode(), table.encode()]


def _landmarks(data: bytes) -> None:
    with _folder({"points": data}) as folder, contextlib.suppress(InputError):
        for landmark in read_landmarks(folder / "points").values():
            assert np.isfinite(landmark.lps_mm).all()


def _plan_seeds() -> list[bytes]:
    return [to_json(PlanFile(side="left").model_dump(mode="json", by_alias=True)).encode()]


def _plan(data: bytes) -> None:
    with _folder({"plan.json": data, "names.json": data}) as folder:
        with contextlib.suppress(InputError):
            plan = validated(PlanFile, read_json(folder / "plan.json"), "plan.json")
            to_json(plan.model_dump(mode="json", by_alias=True))
        with contextlib.suppress(InputError):
            read_name_table(folder / "names.json")


def _migration_seeds() -> list[bytes]:
    return [*(path.read_bytes() for path in sorted(GOLDEN.glob("*.json"))), *(json.dumps(old).encode() for old in OLD)]


def _migration(data: bytes) -> None:
    """As the file it says it is; versions that only the tests know stand in for old ones."""
    with _folder({"a.json": data}) as folder, contextlib.suppress(InputError):
        content = read_json(folder / "a.json")
        for model in (Box, Crate, *file_kinds().values()):
            with contextlib.suppress(InputError), mock.patch.object(migration, "STEPS", BOX_STEPS):
                to_json(validated(model, content, "a.json").model_dump(mode="json", by_alias=True))


def _picture_seeds() -> list[bytes]:
    from PIL import Image

    ramp = np.add.outer(np.arange(64), np.arange(64)).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(ramp).save(buffer, "PNG")
    return [_bytes(dicom(ramp)), _bytes(dicom(ramp.astype(np.uint16) * 16, "DX")), buffer.getvalue()]


def _picture(data: bytes) -> None:
    with _folder({"picture": data}) as folder, contextlib.suppress(InputError):
        assert np.isfinite(read_radiograph(folder / "picture", frame=1).attenuation).all()


_NEIGHBOURS: list[bytes] = []


def _neighbours() -> list[bytes]:
    if not _NEIGHBOURS:
        _NEIGHBOURS.extend(_small_series())
    return _NEIGHBOURS


def quiet(run: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """Return the function without the warnings of parsers."""

    def run_quietly(data: bytes) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            run(data)

    return run_quietly


TARGETS = {
    name: Target(name, seeds, quiet(run))
    for name, seeds, run in (
        ("series", _series_seeds, _series),
        ("header", _edit_seeds, _header),
        ("labels", _label_seeds, _labels),
        ("image_header", _label_seeds, _image_header),
        ("landmarks", _landmark_seeds, _landmarks),
        ("plan", _plan_seeds, _plan),
        ("migration", _migration_seeds, _migration),
        ("picture", _picture_seeds, _picture),
    )
}
