"""The house keeps its shape: who may import whom, how long a file may be, what may not stand in it."""

import ast
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CORE = ROOT / "core" / "cotyle"
SAMPLE = ROOT / "sample_data"
PLATFORM = ROOT / "platform_plugin"

# a room imports only what stands before it
ROOMS = ["space", "image", "anatomy", "cup", "xray", "case", "report", "cli"]
# so does a folder within a room; files beside the folders are for all of them, or come last
FOLDERS = {
    "anatomy": ["shapes", "metal", "segmentation", "sockets"],
    "xray": ["projector", "pictures", "registration", "cup_in_picture", "levelling"],
}
FREE_TO_ALL = {"errors", "files"}
PACKAGE_WORDS = {"__version__", "CAUTION"}
# what the sample generator may use: it makes scans, so it must not know how they are measured; an implant is placed
# by the words of orientation
SAMPLE_MAY_IMPORT = {
    "space",
    "image",
    "anatomy.shapes.shape_model",
    "anatomy.shapes.shape_patches",
    "anatomy.shapes.shape_landmarks",
    "anatomy.pelvis",
    "cup.orientation",
}
WINDOWED = {"slicer", "qt", "ctk", "vtkmodules.vtkRenderingQt", "trame", "trame_slicer", "PyQt5", "PyQt6", "PySide6"}


def python_files(*folders: Path) -> list[Path]:
    return [path for folder in folders for path in sorted(folder.rglob("*.py"))]


def imported_modules(path: Path) -> list[str]:
    """Every module a file imports, also inside functions; ``from a import b`` counts as ``a.b``."""
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


def room_of(path: Path) -> str:
    parts = path.relative_to(CORE).parts
    return parts[0] if len(parts) > 1 else path.stem


def direction_faults(path: Path) -> list[str]:
    room = room_of(path)
    if room not in ROOMS:
        return []
    faults = []
    for module in imported_modules(path):
        parts = module.split(".")
        if parts[0] != "cotyle" or len(parts) < 2 or parts[1] in FREE_TO_ALL or parts[1] in PACKAGE_WORDS:
            continue
        if parts[1] not in ROOMS or ROOMS.index(parts[1]) > ROOMS.index(room):
            faults.append(f"{path.relative_to(ROOT)} imports {module}")
    return faults


def test_a_room_imports_only_rooms_before_it():
    assert [fault for path in python_files(CORE) for fault in direction_faults(path)] == []


@pytest.mark.parametrize("room", FOLDERS)
def test_a_folder_of_a_room_imports_only_folders_before_it(room):
    order = {name: place for place, name in enumerate(FOLDERS[room])}
    assert {path.name for path in (CORE / room).iterdir() if path.is_dir()} - {"__pycache__"} == set(order)
    faults = [
        f"{path.relative_to(ROOT)} imports {module}"
        for path in python_files(CORE / room)
        for module in imported_modules(path)
        if module.startswith(f"cotyle.{room}.")
        and order.get(module.split(".")[2], -1) > order.get(path.relative_to(CORE / room).parts[0], len(order))
    ]
    assert faults == []


def test_every_folder_of_the_core_is_a_known_room():
    folders = {path.parent.relative_to(CORE).parts[0] for path in python_files(CORE) if path.parent != CORE}
    assert folders <= set(ROOMS)


def test_the_import_check_sees_a_wrong_import(tmp_path, monkeypatch):
    wrong = tmp_path / "core" / "cotyle" / "space" / "wrong.py"
    wrong.parent.mkdir(parents=True)
    wrong.write_text("def f():\n    from cotyle.cup import wall\n")
    monkeypatch.setattr(sys.modules[__name__], "CORE", tmp_path / "core" / "cotyle")
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    assert len(direction_faults(wrong)) == 1


def test_files_free_to_all_import_no_room():
    for name in FREE_TO_ALL:
        inside = [m for m in imported_modules(CORE / f"{name}.py") if m.startswith("cotyle.")]
        assert all(m.split(".")[1] in FREE_TO_ALL for m in inside), name


def test_the_core_knows_no_window_and_no_platform():
    for path in python_files(CORE):
        if room_of(path) == "cli":
            continue  # opens the viewer on demand
        for module in imported_modules(path):
            assert not any(module == w or module.startswith(w + ".") for w in WINDOWED), (path, module)
            assert not module.startswith("cotyle_platform"), (path, module)


def test_only_the_command_line_imports_the_sample():
    users = {room_of(p) for p in python_files(CORE) if any(m.startswith("cotyle_sample") for m in imported_modules(p))}
    assert users <= {"cli"}


def test_the_sample_does_not_use_what_it_is_there_to_test():
    for path in python_files(SAMPLE):
        for module in imported_modules(path):
            if not module.startswith("cotyle."):
                continue
            inside = module.removeprefix("cotyle.")
            allowed = SAMPLE_MAY_IMPORT | FREE_TO_ALL
            assert any(inside == a or inside.startswith(a + ".") for a in allowed), (path.name, module)


def test_only_the_scene_adapter_of_the_platform_knows_ras():
    for path in python_files(PLATFORM):
        if "scene" in path.relative_to(PLATFORM).parts:
            continue
        assert not re.search(r"\bRAS\b|_ras\b", path.read_text(encoding="utf-8")), path.name


@pytest.mark.parametrize("path", python_files(CORE, SAMPLE, PLATFORM), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_file_is_longer_than_400_lines(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


# written in pieces, so that this file does not hold what it looks for
FORBIDDEN = {
    "a folder of one machine": r"(?<![\w.])/(?:"
    + "|".join(["ho" + "me", "ro" + "ot", "wo" + "rk", "Us" + "ers"])
    + r")/\w",
    "a package host": "|".join(["py" + r"pi\.org", "python" + r"hosted", "npm" + r"js\.", "deb\\." + "debian"]),
    "an index address": r"--(?:extra-)?ind" + "ex-url",
    "a mail address": r"[\w.+-]+@(?!example\.)[\w-]+\.(?:com|org|net|de|edu|io)\b",
}
TEXT_SUFFIXES = {".py", ".md", ".toml", ".yaml", ".yml", ".html", ".css", ".j2", ".json", ".txt", ".cfg", ""}


def tracked_text_files() -> list[Path]:
    listed = None
    if shutil.which("git"):
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed is not None and listed.returncode == 0:
        paths = [ROOT / name for name in listed.stdout.split("\0") if name]
    else:  # an unpacked archive, or no git
        folders = ["core", "sample_data", "platform_plugin", "tests", "docs"]
        paths = [p for folder in folders for p in (ROOT / folder).rglob("*")] + list(ROOT.glob("*"))
    return [p for p in paths if p.is_file() and p.suffix in TEXT_SUFFIXES and p.name != "LICENSE"]


@pytest.mark.parametrize("what", list(FORBIDDEN))
def test_no_text_holds(what):
    pattern = re.compile(FORBIDDEN[what])
    found = []
    for path in tracked_text_files():
        text = path.read_text(encoding="utf-8", errors="replace")
        found += [f"{path.relative_to(ROOT)}: {match.group(0)}" for match in pattern.finditer(text)]
    assert found == []


def test_the_forbidden_patterns_match_what_they_are_for():
    samples = {
        "a folder of one machine": "see /" + "home/someone/data",
        "a package host": "https://" + "pypi" + ".org/simple",
        "an index address": "pip install --ind" + "ex-url x",
        "a mail address": "someone" + "@" + "clinic.org",
    }
    for what, sample in samples.items():
        assert re.search(FORBIDDEN[what], sample), what


HEAVY = [
    "vtk",
    "vtkmodules",
    "SimpleITK",
    "numba",
    "scipy",
    "matplotlib",
    "highdicom",
    "pydicom",
    "weasyprint",
    "numpy",
]
PROBE = """
import json, sys
from typer.testing import CliRunner
from cotyle.cli.main import app
result = CliRunner().invoke(app, ["--help"])
print(json.dumps({"exit": result.exit_code, "modules": sorted(sys.modules)}))
"""


def test_help_does_not_wait_for_the_heavy_libraries():
    done = subprocess.run([sys.executable, "-c", PROBE], capture_output=True, text=True, check=True)
    answer = json.loads(done.stdout)
    assert answer["exit"] == 0
    assert [name for name in HEAVY if name in answer["modules"]] == []
