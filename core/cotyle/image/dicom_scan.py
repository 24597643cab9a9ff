"""Finding the DICOM slices in a folder tree."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pydicom

from cotyle.errors import InputError
from cotyle.image.limits import MAX_FILES, MAX_FOLDER_DEPTH
from cotyle.image.slice_header import (
    BrokenHeaderError,
    NotAnImageError,
    SliceHeader,
    looks_like_dicom,
    read_slice_headers,
)


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

    @property
    def why_broken(self) -> str:
        """What is wrong with the first broken file of which that is known; else empty."""
        return next((why for s in self.broken if (why := s.reason.partition("broken DICOM: ")[2])), "")


def scan_dicom(path: str | Path) -> DicomScan:
    """Read the headers of every DICOM file under a folder, whatever its name, or of one file.

    A file that cannot be read is noted and passed over; links to folders are not followed.

    Raises
    ------
    InputError
        As :func:`files_under`.
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
            except BrokenHeaderError as error:
                skipped.append(SkippedFile(number, f"broken DICOM: {error}"))
            except Exception as error:  # broken files raise anything, RecursionError included
                skipped.append(SkippedFile(number, f"broken DICOM ({type(error).__name__})"))
    return DicomScan(tuple(headers), tuple(skipped), len(files))


def files_under(path: Path) -> list[Path]:
    """Return the regular files under a folder, sorted by path, or the file itself; hidden ones are left out.

    Links to folders are not followed. A link to a file must stay within the folder: what a foreign folder brings
    along must not make us read what it cannot hold.

    Raises
    ------
    InputError
        ``input-missing``, ``input-unreadable``, ``too-many-files``, ``too-deep``, ``link-outside``.
    """
    if not path.exists():
        raise InputError("input-missing", f"there is no {path.name or path}", "Check the path")
    if path.is_file():
        return [path]
    root = path.resolve()
    found: list[Path] = []
    pending = [(path, 1)]
    seen = 0
    while pending:
        folder, depth = pending.pop()
        for entry in _entries(folder, path):
            seen += 1
            if seen > MAX_FILES:
                raise _too_much("too-many-files", f"{path.name} holds more than {MAX_FILES} files")
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                if depth >= MAX_FOLDER_DEPTH:
                    raise _too_much("too-deep", f"{path.name} holds folders more than {MAX_FOLDER_DEPTH} deep")
                pending.append((Path(entry.path), depth + 1))
            elif entry.is_file():
                found.append(_within(Path(entry.path), root, entry.is_symlink()))
    return sorted(found)


def _entries(folder: Path, top: Path) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            yield from entries
    except OSError as error:
        what = f"the folder {top.name}" if folder == top else f"a folder in {top.name}"
        raise InputError("input-unreadable", f"{what} cannot be read", "Check its permissions") from error


def _within(file: Path, root: Path, is_link: bool) -> Path:
    if is_link and not file.resolve().is_relative_to(root):
        what = f"the folder {root.name} holds a link that leads out of it"
        raise InputError("link-outside", what, "Put the files themselves there")
    return file


def _too_much(code: str, what: str) -> InputError:
    return InputError(code, f"the folder {what}", "Give the folder of the study, not of the archive")
