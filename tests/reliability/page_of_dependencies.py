"""The section on what the default install brings."""

from __future__ import annotations

from collections import Counter

from tests.dependencies.default_install import default_install
from tests.dependencies.licences import BUNDLED, JUDGED, problems
from tests.dependencies.vulnerabilities import reachable

INTRODUCTION = """## What is installed

The default install and everything that it asks for, by the licences that the packages' metadata state; why each
exception is there stands in [dependencies](dependencies.md).
"""


def dependency_section() -> tuple[str, bool]:
    """Return the section and whether all licences are allowed or judged."""
    packages = default_install()
    found = problems(packages)
    licences = Counter(package.licence for package in packages)
    rows = ["| licence | packages |", "|---|---:|", *(f"| {name} | {n} |" for name, n in sorted(licences.items()))]
    here = {package.name for package in packages}
    asked = "were asked for in CI" if reachable() else "were **not checked** in this run: the database was out of reach"
    lines = [
        INTRODUCTION,
        *rows,
        "",
        f"{len(packages)} packages, {len(found)} not allowed; judged one by one: {len(here & JUDGED.keys())} for "
        f"their own licence, {len(here & BUNDLED.keys())} for what their licence files say of the GPL.",
        "",
        f"Known vulnerabilities {asked}.",
        *(f"- {line}" for line in found),
    ]
    return "\n".join(lines) + "\n", not found
