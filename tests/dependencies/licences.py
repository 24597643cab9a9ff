"""Check the licences of the default install; end with 1 if one of them is not allowed or was never judged.

python -m tests.dependencies.licences
"""

from __future__ import annotations

import re
import sys

from tests.dependencies.default_install import Package, default_install

ALLOWED = frozenset(
    {
        "0BSD", "Apache", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "Apache Software License", "BSD",
        "BSD License", "BSD-2-Clause", "BSD-3-Clause", "BSD 3-Clause License", "CC0-1.0", "ISC", "ISC License (ISCL)",
        "MIT", "MIT License", "MIT-0", "MIT-CMU", "PSF-2.0", "Python Software Foundation License", "Zlib",
    }
)  # fmt: skip
"""Licences that ask for no more than a notice, as SPDX, classifiers and old metadata write them."""

JUDGED = {
    "musculoskeletal-models": "MPL-2.0, used unmodified: copyleft ends at its own files",
    "pyphen": "may be used under GPL-2.0, LGPL-2.1 or MPL-1.1; we use it under MPL-1.1, unmodified",
}
"""Packages whose own licence is not in the list, and why they are in the install all the same."""

BUNDLED = {
    "numpy": "wheels bring libgfortran (GPL-3.0 with the GCC runtime exception) and libquadmath (LGPL-2.1, a library "
    "of its own that may be exchanged)",
    "scipy": "as numpy",
    "numba": "contains Python's own licence text, which calls itself compatible with the GPL",
    "typing-extensions": "as numba",
    "llvmlite": "LLVM's exception to the Apache licence speaks of programs under GPL-2.0",
    "matplotlib": "brings FreeType, which is under the FreeType licence or GPL-2.0; the former holds",
    "pillow": "brings FreeType (as matplotlib) and the library of XZ, none of whose GPL files end up in it",
    "musculoskeletal-models": "MPL-2.0's own text names the GPL as a secondary licence",
    "pyphen": "see above",
}
"""Packages whose licence files speak of the GPL, and what it is about."""


def problems(packages: list[Package]) -> list[str]:
    """Return what is not allowed or was never judged, a line each."""
    found = []
    for package in packages:
        label = f"{package.name} {package.version}"
        if not allowed(package.licence) and package.name not in JUDGED:
            found.append(f"{label}: licence {package.licence or 'not stated'!r} is not in the list")
        if package.speaks_of_gpl and package.name not in BUNDLED:
            found.append(f"{label}: its licence files speak of the GPL, and nobody has judged why")
    return found


def allowed(licence: str) -> bool:
    """Whether an expression's parts are allowed: all of those joined by AND, one of those joined by OR."""
    return any(
        all(part.strip() in ALLOWED or part.strip(" ()") in ALLOWED for part in re.split(r"\s+AND\s+", choice))
        for choice in re.split(r"\s+OR\s+", licence)
    )


def main() -> int:
    """Print each package and its licence; return the exit code."""
    packages = default_install()
    for package in packages:
        print(f"{package.name} {package.version}: {package.licence}")
    found = problems(packages)
    print(f"licences: {len(packages)} packages in the default install, {len(found)} not allowed")
    for line in found:
        print(f"  {line}")
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())
