"""Scenes kept in one file: ``.mrb`` only, since the platform's ``.mrml`` leaves volumes and surfaces behind."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import Any

from cotyle.errors import InputError
from cotyle.files import atomic_path
from vtkmodules.vtkCommonCore import vtkObject

SUFFIX = ".mrb"


def save_scene(scene: Any, path: Path) -> None:
    """Write a scene, whole or not at all.

    Raises
    ------
    InputError
        ``scene-suffix`` for a name that does not end in ``.mrb``, ``output-unwritable``.
    """
    if path.suffix != SUFFIX:
        raise InputError("scene-suffix", f"a scene is kept in a file *{SUFFIX}, not {path.name}", f"Name it *{SUFFIX}")
    before = scene.GetURL(), scene.GetRootDirectory()
    with atomic_path(path) as temporary, tempfile.TemporaryDirectory(prefix="cotyle-scene-") as folder:
        file = Path(folder) / "scene.mrb"
        scene.SetRootDirectory(folder)
        talking = vtkObject.GetGlobalWarningDisplay()
        vtkObject.GlobalWarningDisplayOff()  # it would tell of each file it packs
        try:
            done = scene.WriteToMRB(str(file))
        finally:
            vtkObject.SetGlobalWarningDisplay(talking)
            scene.SetURL(before[0])
            scene.SetRootDirectory(before[1])
        if not done or not zipfile.is_zipfile(file):
            raise InputError(
                "output-unwritable", f"cannot write {path.name}", "Check the folder's rights and free space"
            )
        shutil.move(file, temporary)


def open_scene(scene: Any, path: Path) -> None:
    """Read a file into an empty scene.

    Raises
    ------
    InputError
        ``file-missing`` or ``scene-damaged``.
    """
    if not path.is_file():
        raise InputError("file-missing", f"there is no file {path.name}", "Check the path")
    damaged = InputError("scene-damaged", f"{path.name} is no scene or is damaged", "Open the case folder")
    with tempfile.TemporaryDirectory(prefix="cotyle-scene-") as folder:
        try:
            with zipfile.ZipFile(path) as archive:
                archive.extractall(folder)
        except (zipfile.BadZipFile, OSError, EOFError, ValueError) as error:
            raise damaged from error
        found = sorted(Path(folder).rglob("*.mrml"))
        if len(found) != 1:
            raise damaged
        scene.SetURL(str(found[0]))
        scene.SetRootDirectory(str(found[0].parent))
        read = scene.Import(None)
        scene.SetURL("")
        if not read:
            raise damaged
