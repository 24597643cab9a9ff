"""What the default install brings: the packages that ``cotyle`` asks for without an extra, and those they ask for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.metadata import Distribution, distribution

from packaging.requirements import Requirement

_LICENCE_FILE = re.compile(r"licen[cs]e|copying|notice|third.?party", re.IGNORECASE)
_GPL = re.compile(r"GNU\s+(?:LESSER\s+|LIBRARY\s+|AFFERO\s+)?GENERAL\s+PUBLIC\s+LICEN[CS]E|GPL", re.IGNORECASE)


@dataclass(frozen=True)
class Package:
    """An installed package: what its metadata say of its licence, and whether its licence files speak of the GPL."""

    name: str
    version: str
    licence: str
    speaks_of_gpl: bool


def default_install(root: str = "cotyle") -> list[Package]:
    """Return the packages in order of their names, without the root."""
    found: dict[str, Distribution] = {}
    _follow(root, found)
    return [_package(name, found[name]) for name in sorted(found) if name != root]


def _follow(name: str, found: dict[str, Distribution]) -> None:
    key = re.sub(r"[-_.]+", "-", name).lower()
    if key in found:
        return
    found[key] = distribution(name)
    for line in found[key].requires or []:
        wanted = Requirement(line)
        if wanted.marker is None or wanted.marker.evaluate({"extra": ""}):
            _follow(wanted.name, found)


def _package(name: str, package: Distribution) -> Package:
    return Package(name, package.version, stated_licence(package), _speaks_of_gpl(package))


def stated_licence(package: Distribution) -> str:
    """Return the licence as metadata state it: an SPDX expression, else classifiers, else the first line of text."""
    metadata = package.metadata
    expression = metadata.get("License-Expression")
    if expression:
        return str(expression)
    classifiers = [line for line in metadata.get_all("Classifier") or [] if line.startswith("License ::")]
    words = [line.split("::")[-1].strip() for line in classifiers]
    words = [word for word in words if word != "OSI Approved"]
    if words:
        return " OR ".join(words)
    return (metadata.get("License") or "").strip().splitlines()[0] if (metadata.get("License") or "").strip() else ""


def _speaks_of_gpl(package: Distribution) -> bool:
    for file in package.files or []:
        if _LICENCE_FILE.search(file.name) and not file.name.endswith((".py", ".pyc", ".so", ".pyd")):
            path = package.locate_file(file)
            try:
                if _GPL.search(str(path.read_text(encoding="utf-8", errors="replace"))):  # type: ignore[attr-defined]
                    return True
            except OSError:
                continue
    return False
