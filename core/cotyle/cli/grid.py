"""``cotyle grid``: how a machine bends its pictures, from a picture of a grid of dots."""

from __future__ import annotations

from pathlib import Path

from cotyle.case.distortion_file import DistortionFile, distortion_file, read_distortion
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
    file = distortion_file(read_distortion(picture))
    file.write(out)
    if as_json:
        print_json(file.as_dict())
        return
    say(
        f"{file.dots} dots, {file.spacing_px:.1f} px apart, {file.model}: {file.held_back_px:.2f} px at dots that were "
        f"held back, at most {file.worst_px:.2f} px. Good for pictures of {file.columns} x {file.rows} pixels of the "
        "same machine where it stood."
    )


def _require_distortion(out: Path) -> None:
    """Raise InputError ``output-other`` for a file that is no distortion: a case's plan is JSON, too."""
    try:
        DistortionFile.read(out)
    except InputError as error:
        what = f"{out.name} is there already and is no distortion file"
        raise InputError("output-other", what, "Choose another name") from error
