"""A saved case for other programs: surfaces, views, numbers, report and scene, in one zip file or one new folder.

All of it or nothing, from the case as it stands in its folder, which holds no identity of the patient. The scene and
the DICOM copy hold the CT.
"""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.store import read_case
from cotyle.errors import InputError
from cotyle.files import atomic_path, new_folder

from cotyle_platform.session.apart import Say

SURFACES, VIEWS, NUMBERS, REPORT, SCENE, DICOM = "surfaces", "views", "numbers", "report", "scene", "dicom"
PARTS = {
    SURFACES: "surfaces: bones and cup (STL), cavity with its wall (VTP)",
    VIEWS: "simulated views (DICOM Secondary Capture, PNG)",
    NUMBERS: "plan and measurements (JSON)",
    REPORT: "report (HTML, PDF)",
    SCENE: "scene for the platform's desktop application (.mrb); it holds the CT",
    DICOM: "all as standard DICOM objects in a study of nobody; they hold the CT",
}
SMALL = (SURFACES, VIEWS, NUMBERS, REPORT)
_FILES = {
    NUMBERS: (names.PLAN, names.MEASUREMENTS, names.LANDMARKS),
    REPORT: (names.REPORT_HTML, names.REPORT_PDF),
}
_FOLDERS = {SURFACES: names.MESH, VIEWS: names.XRAY}
_STORED = (".mrb", ".png", ".pdf")
"""Packed already."""


@dataclass(frozen=True)
class ExportAsked:
    """What is to be written of which case, and where: a file ``*.zip``, or a folder that is new.

    A zip file is put together in ``workshop``, which is the caller's to clear away.
    """

    case: Path
    parts: tuple[str, ...]
    target: Path
    workshop: Path


def exported(asked: ExportAsked, say: Say) -> int:
    """Write what is asked; return its bytes.

    Raises
    ------
    InputError
        ``export-empty``, ``case-changed``, ``output-unwritable``, and those of reading a case and writing its parts.
    """
    wanted = [part for part in PARTS if part in asked.parts]
    if not wanted:
        raise InputError("export-empty", "nothing was chosen to export", "Choose a part")
    names.require_case(asked.case)
    plan = (asked.case / names.PLAN).read_bytes()
    with _place(asked) as folder:
        for part in wanted:
            say(f"writing {part}")
            _WRITERS[part](asked.case, part, folder)
        names.require_case(asked.case)
        if (asked.case / names.PLAN).read_bytes() != plan:
            raise InputError("case-changed", "the case was changed meanwhile", "Export it again")
        say("packing" if asked.target.suffix == ".zip" else "finishing")
        return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


@contextmanager
def _place(asked: ExportAsked) -> Iterator[Path]:
    """Give a folder to write into; it becomes the target when the block ends well."""
    target = asked.target
    if target.suffix != ".zip":
        with new_folder(target) as folder:
            yield folder
        return
    with tempfile.TemporaryDirectory(dir=asked.workshop) as own:
        folder = Path(own)
        yield folder
        with atomic_path(target) as file, zipfile.ZipFile(file, "w") as archive:
            for path in sorted(folder.rglob("*")):
                if path.is_file():
                    packing = zipfile.ZIP_STORED if path.suffix in _STORED else zipfile.ZIP_DEFLATED
                    archive.write(path, path.relative_to(folder), compress_type=packing)


def clear_away(target: Path) -> None:
    """Remove what an export left beside its target that was ended on the way."""
    for each in target.parent.glob(f".cotyle-*-{target.name}"):
        shutil.rmtree(each, ignore_errors=True) if each.is_dir() else each.unlink(missing_ok=True)


def _copy_files(case: Path, part: str, folder: Path) -> None:
    found = [case / name for name in _FILES[part] if (case / name).is_file()]
    if not found:
        raise _missing(part)
    for path in found:
        shutil.copyfile(path, folder / path.name)


def _copy_folder(case: Path, part: str, folder: Path) -> None:
    source = case / _FOLDERS[part]
    if not source.is_dir():
        raise _missing(part)
    shutil.copytree(source, folder / source.name, copy_function=shutil.copyfile)


def _write_scene(case: Path, part: str, folder: Path) -> None:
    from cotyle.case.stages import plan_cup
    from trame_slicer.core import SlicerApp

    from cotyle_platform.scene.files import save_scene
    from cotyle_platform.scene.plan_scene import PlanScene

    stored = read_case(case)
    planned = plan_cup(stored.anatomy, stored.scan, stored.plan)
    scene = SlicerApp().scene
    PlanScene(scene, stored).show(stored.plan, planned)
    save_scene(scene, folder / "scene.mrb")


def _write_dicom(case: Path, part: str, folder: Path) -> None:
    from cotyle.report.dicom.export import export_case

    export_case(case, folder / "dicom")


def _missing(part: str) -> InputError:
    return InputError("part-missing", f"the case holds nothing of {part}", "Save the case, then export")


_WRITERS: dict[str, Callable[[Path, str, Path], None]] = {
    SURFACES: _copy_folder,
    VIEWS: _copy_folder,
    NUMBERS: _copy_files,
    REPORT: _copy_files,
    SCENE: _write_scene,
    DICOM: _write_dicom,
}
