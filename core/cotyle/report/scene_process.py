"""Starting the process that draws 3D pictures, and what to say when it cannot."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from cotyle.case.values import save
from cotyle.report.scene import Job

TIMEOUT_S = 120.0


@dataclass(frozen=True)
class DrawnScenes:
    """Pictures by file name, or none of them and why."""

    pictures: dict[str, bytes]
    failure: str = ""


class SceneProcess:
    """Draws a job while the caller does other things; a context, so that no process and no file stays behind."""

    def __init__(self, job: Job) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="cotyle-scene-")
        file = Path(self._folder.name) / "job.npz"
        save(job, file)
        self._names = [picture.file for picture in job.pictures]
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "cotyle.report.scene", str(file)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()

    def result(self, timeout_s: float = TIMEOUT_S) -> DrawnScenes:
        """Wait for the pictures."""
        try:
            code = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return DrawnScenes({}, f"drawing took longer than {timeout_s:.0f} s")
        files = [Path(self._folder.name) / name for name in self._names]
        if code != 0 or not all(file.is_file() and file.stat().st_size for file in files):
            return DrawnScenes({}, "OpenGL is missing or does not draw off the screen")
        return DrawnScenes({file.name: file.read_bytes() for file in files})
