"""What computed a result, so that it can be computed again: byte for byte where all of this is the same."""

from __future__ import annotations

import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version

from pydantic import Field

from cotyle.case.schema import Strict

COMPUTING = ("numpy", "scipy", "numba", "SimpleITK", "vtk", "cma", "musculoskeletal-models")
"""Packages whose results end up in ours."""


class ProducedBy(Strict):
    """Python, operating system and kind of processor, versions of the packages that compute; no name of a machine.

    ``seeds``: of what was drawn by lot and may be drawn with another seed. All else that is drawn by lot has a seed of
    its own in the code.
    """

    python: str
    system: str
    packages: dict[str, str]
    seeds: dict[str, int] = Field(default_factory=dict)


def produced_by(**seeds: int) -> ProducedBy:
    """Return what computes here and now, with those seeds."""
    python, system, packages = _here()
    return ProducedBy(python=python, system=system, packages=dict(packages), seeds=seeds)


@cache
def _here() -> tuple[str, str, tuple[tuple[str, str], ...]]:
    packages = tuple((name, found) for name in COMPUTING if (found := _version(name)))
    return platform.python_version(), f"{platform.system()} {platform.machine()}", packages


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:  # another distribution's name for the same library
        return ""
