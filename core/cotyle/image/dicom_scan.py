"""Finding the DICOM slices in a folder tree."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass
from pathlib import Path

import pydicom

from cotyle.errors import InputError
from cotyle.image.limits import MAX_FILES
from cotyle.image.slice_header import NotAnImageError, SliceHeader, looks_like_dicom, read_slice_headers


@dataclass(frozen=True)
class SkippedFile:
    """A file that gave no slice: its number in the walk (names may hold a patient's), and why."""

    number: int
    reason: str


@dataclass(frozen=True)
class DicomScan:
    """All slices under a path, in no order that matters, and what was passed over."""

    headers: tuple[SliceHeader, ...]
    skipped: tuple[SkippedFile, ...]
    files: int

    @property
    def broken(self) -> tuple[SkippedFile, ...]:
        """Files that begin as DICOM but cannot be read."""
        return tuple(s for s in self.skipped if s.reason.startswith("broken"))


def scan_dicom(path: str | Path) -> DicomScan:
    """Read the headers of every DICOM file under a folder, whatever its name, or of one file.

    A file that cannot be read is noted and passed over; links to folders are not followed.

    Raises
    ------
    InputError
        ``input-missing``, ``input-unreadable``, ``too-many-files``.
    """
    headers: list[SliceHeader] = []
    skipped: list[SkippedFile] = []
    files = files_under(Path(path))
    with pydicom.config.disable_value_validation(), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the parser's doubts about fields that are not used here
        for number, file in enumerate(files, 1):
            try:
                if looks_like_dicom(file):
                    headers.extend(read_slice_headers(file))
                else:
                    skipped.append(SkippedFile(number, "not DICOM"))
            except NotAnImageError:
                skipped.append(SkippedFile(number, "DICOM without an image"))
            except Exception as error:  # broken files raise anything, RecursionError included
                skipped.append(SkippedFile(number, f"broken DICOM ({type(error).__name__})"))
    return DicomScan(tuple(headers), tuple(skipped), len(files))


def files_under(path: Path) -> list[Path]:
    """Return the regular files under a folder, sorted by path, or the file itself.

    Raises
    ------
    InputError
        ``input-missing``, ``input-unreadable``, ``too-many-files``.
    """
    if not path.exists():
        raise InputError("input-missing", f"there is no {path.name or path}", "Check the path")
    if path.is_file():
        return [path]
    if not os.access(path, os.R_OK | os.X_OK):
        raise InputError("input-unreadable", f"the folder {path.name} cannot be read", "Check its permissions")
    found: list[Path] = []
    for folder, _, names in os.walk(path, followlinks=False):
        for name in names:
            file = Path(folder, name)
            if not name.startswith(".") and file.is_file():
                found.append(file)
        if len(found) > MAX_FILES:
            raise InputError(
                "too-many-files",
                f"the folder {path.name} holds more than {MAX_FILES} files",
                "Give the folder of the study, not of the archive",
            )
    return sorted(found)
