"""Files that others wrote, all that pydicom and pydicom-data install, each read in every way there is."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import os
import resource
import tempfile
import time
import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import pydicom
from cotyle.cli.main import run
from cotyle.errors import InputError
from cotyle.image.read import read_volume
from cotyle.xray.pictures.picture_file import read_radiograph


@dataclass(frozen=True)
class Ending:
    """How one way of reading one file ended: ``result``, a stable code, or the name of an exception of ours.

    ``seconds`` went by, ``work_s`` is the time of the processor, child processes included.
    """

    file: str
    way: str
    end: str
    line: str
    seconds: float
    work_s: float

    @property
    def is_fault(self) -> bool:
        """Whether it ended in an exception that is no refusal."""
        return self.end.startswith("fault")


def corpus_files() -> list[Path]:
    """Return every file of both packages that is data, DICOM or not; nothing is fetched."""
    folders = [Path(pydicom.__file__).parent / "data" / "test_files"]
    found = find_spec("data_store")
    if found is not None and found.origin:
        folders.append(Path(found.origin).parent / "data")
    files = [path for folder in folders for path in sorted(folder.rglob("*")) if path.is_file()]
    return [path for path in files if path.suffix not in {".py", ".pyc"}]


def endings(path: Path, ways: Iterable[str] = ("check", "ct", "picture")) -> Iterator[Ending]:
    """Read a file as a CT to check, as a CT to read with every repair, and as an X-ray picture."""
    for way in ways:
        start, worked = time.perf_counter(), _work_s()
        end, line = _ended(_WAYS[way], path)
        yield Ending(path.name, way, end, line, time.perf_counter() - start, _work_s() - worked)


def _work_s() -> float:
    """Return the processor time of this process and its children so far, s."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def _ended(read: Callable[[Path], str], path: Path) -> tuple[str, str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return "result", read(path)
    except InputError as error:
        return error.code, str(error)
    except Exception as error:
        return f"fault {type(error).__name__}", str(error)


def _check(path: Path) -> str:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(["check", str(path), "--json"])
    if code == 0:
        return out.getvalue()
    if code == 2 and err.getvalue().count("\n") == 1 and "Traceback" not in err.getvalue():
        raise InputError(err.getvalue().rsplit("[", 1)[1].rstrip("]\n"), err.getvalue().strip())
    raise RuntimeError(err.getvalue())


def _ct(path: Path) -> str:
    volume, _ = read_volume(path, repair=True)
    return f"{volume.size}"


def _picture(path: Path) -> str:
    return f"{read_radiograph(path, frame=1).attenuation.shape}"


_WAYS = {"check": _check, "ct": _ct, "picture": _picture}


def main() -> None:
    """Read every file in an empty folder without network; print one line of JSON for each, then one of the run."""
    import socket

    def refuse(*_: object, **__: object) -> None:
        raise OSError("no network in this run")

    socket.socket.connect = refuse  # type: ignore[method-assign,assignment]
    before = {path: path.stat().st_size for path in corpus_files()}
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        os.environ["TMPDIR"] = folder
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        for path in before:
            for ending in endings(path):
                print(json.dumps(dataclasses.asdict(ending) | {"file": f"{path.parent.name}/{path.name}"}))
        left = [path.name for path in Path(folder).rglob("*")]
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    changed = before != {path: path.stat().st_size for path in corpus_files()}
    print(json.dumps({"peak_mib": peak / 1024, "left": left, "changed": changed}))


if __name__ == "__main__":
    main()
