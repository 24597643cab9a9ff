"""``cotyle grid``: how a machine bends its pictures, from a picture of a grid of dots."""

from __future__ import annotations

from pathlib import Path

from cotyle.case.distortion_file import DistortionFile, distortion_file, distortion_words, read_distortion
from cotyle.cli.console import print_json, say
from cotyle.errors import InputError


def run_grid(picture: Path, out: Path, as_json: bool) -> None:
    """Write the distortion file of a grid's picture, and say how well it fits."""
    if out.suffix.lower() != ".json":
        raise InputError("grid-out", "the distortion file must be named .json", "Give --out a name that ends in .json")
    if not out.parent.is_dir():
        raise InputError("output-folder", f"there is no folder {out.parent.name}", "Make it first")
    if out.exists():
        _require_distortion(out)
    known = read_distortion(picture)
    file = distortion_file(known)
    file.write(out)
    if as_json:
        print_json(file.as_dict())
        return
    say(distortion_words(known))


def _require_distortion(out: Path) -> None:
    """Raise InputError ``output-other`` for a file that is no distortion: a case's plan is JSON, too."""
    try:
        DistortionFile.read(out)
    except InputError as error:
        what = f"{out.name} is there already and is no distortion file"
        raise InputError("output-other", what, "Choose another name") from error
