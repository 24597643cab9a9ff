"""Packages the planning needs: what is missing, what installing it would change, and asking first.

The application's own numpy, vtk and SimpleITK are never replaced: pip is first asked what it would do, and nothing is
installed where that would touch one of them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from importlib import metadata
from pathlib import Path

PROTECTED = ("numpy", "vtk", "simpleitk")
REQUIREMENTS = Path(__file__).parents[1] / "Resources" / "requirements.txt"
Run = Callable[[Sequence[str]], str]
"""Runs pip with some arguments and returns what it printed; raises RuntimeError where pip fails."""


class DependencyError(RuntimeError):
    """Packages are missing and cannot, or may not, be installed; one line for the user."""


def wanted(file: Path = REQUIREMENTS) -> tuple[str, ...]:
    """Return the requirements of a file, without its notes."""
    lines = (line.split("#")[0].strip() for line in file.read_text(encoding="utf-8").splitlines())
    return tuple(line for line in lines if line)


def missing(requirements: Sequence[str]) -> tuple[str, ...]:
    """Return those requirements that are not there, or not new enough."""
    try:
        from packaging.requirements import Requirement
    except ImportError:
        from pip._vendor.packaging.requirements import Requirement
    found = []
    for text in requirements:
        requirement = Requirement(text)
        try:
            version = metadata.version(requirement.name)
        except metadata.PackageNotFoundError:
            found.append(text)
            continue
        if not requirement.specifier.contains(version, prereleases=True):
            found.append(text)
    return tuple(found)


def would_install(requirements: Sequence[str], run: Run) -> dict[str, str]:
    """Return what pip would install for these requirements, name to version, without doing it.

    Raises
    ------
    DependencyError
        If it finds no way that leaves the protected packages as they are.
    """
    with tempfile.TemporaryDirectory(prefix="cup-planning-") as folder:
        limits = Path(folder) / "limits.txt"
        limits.write_text("".join(f"{name}=={version}\n" for name, version in _own_versions().items()))
        report = Path(folder) / "report.json"
        try:
            run(["install", "--dry-run", "--quiet", "--report", str(report), "-c", str(limits), *requirements])
            content = json.loads(report.read_text(encoding="utf-8"))
        except (RuntimeError, OSError, ValueError) as error:
            raise DependencyError(
                f"no versions of {', '.join(requirements)} go with the application's own packages"
            ) from error
    return {each["metadata"]["name"]: each["metadata"]["version"] for each in content.get("install", [])}


def touched(changes: dict[str, str]) -> tuple[str, ...]:
    """Return the protected packages among those that would be installed."""
    return tuple(sorted(name for name in changes if name.lower().replace("_", "-") in PROTECTED))


def ensure(ask: Callable[[str], bool], run: Run | None = None, file: Path = REQUIREMENTS) -> bool:
    """See to it that all requirements are there; returns whether something was installed.

    Parameters
    ----------
    ask:
        Shows the user what would be installed and returns whether he agrees.

    Raises
    ------
    DependencyError
        If he does not, or if it would touch a protected package: nothing is changed then.
    """
    lacking = missing(wanted(file))
    if not lacking:
        return False
    pip = run_pip if run is None else run
    changes = would_install(lacking, pip)
    hurt = touched(changes)
    if hurt:
        raise DependencyError(f"installing {', '.join(lacking)} would replace the application's {', '.join(hurt)}")
    words = "\n".join(f"{name} {version}" for name, version in sorted(changes.items()))
    if not ask(f"Planning needs packages that are not there yet. Install these?\n\n{words}"):
        raise DependencyError(f"planning needs {', '.join(lacking)}; nothing was installed")
    # exactly what was shown, and nothing that they would pull in besides
    pip(["install", "--no-deps", *(f"{name}=={version}" for name, version in sorted(changes.items()))])
    return True


def run_pip(arguments: Sequence[str]) -> str:
    """Run the application's own pip."""
    python = shutil.which("PythonSlicer") or sys.executable
    done = subprocess.run([python, "-m", "pip", *arguments], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "pip failed")
    return done.stdout


def _own_versions() -> dict[str, str]:
    """Return the versions of the protected packages that pip knows of; the application builds vtk in."""
    versions = {}
    for name in PROTECTED:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return versions
