"""Make the pictures of the theatre and write them to a folder.

python -m tests.validation.theatre.pictures --out DIR [--subjects 6] [--poses 10] [--size 768] [--pairs 0] [--camera 0]
    [--wrong] [--patients DIR] [--sheet] [--set usual|fresh]

NAME.npz and NAME.json for each picture; sub-folders ``pairs``, ``camera`` and ``wrong`` for those sets. Patients (scan,
anatomy, plan, truth) lie in ``patients``, a folder beside the pictures if none is named;
:func:`load_pictures` and :func:`load_patient` read them back.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.validation.theatre.contact_sheet import write_sheet
from tests.validation.theatre.making import Theatre, usual_pictures, wrong_camera_pictures
from tests.validation.theatre.pairs import pairs
from tests.validation.theatre.patients import load_patient
from tests.validation.theatre.picture import TheatrePicture, load_pictures, write_picture
from tests.validation.theatre.sets import SETS, USUAL
from tests.validation.theatre.wrong import wrong_pictures

__all__ = ["load_patient", "load_pictures", "main"]


def main(arguments: list[str] | None = None) -> int:
    """Return the exit code."""
    options = _options(arguments)
    patients = options.patients if options.patients is not None else options.out / "patients"
    for name in SETS[options.set].names(options.subjects):
        patient = load_patient(name, patients, _tell)
        clock = time.process_time()
        theatre = Theatre(patient)
        _tell(f"{name}: taken apart, {time.process_time() - clock:.1f} s")
        for folder, made in _sets(theatre, options):
            clock = time.process_time()
            for picture in made:
                write_picture(picture, options.out / folder)
                now = time.process_time()
                _tell(f"{picture.name}: {picture.contents.tool}, {picture.contents.kev:.0f} keV, {now - clock:.1f} s")
                clock = now
    if options.sheet:
        for folder in (options.out, *(options.out / each for each in ("pairs", "camera", "wrong"))):
            shown = load_pictures(folder)
            if shown:
                write_sheet(shown, folder / "sheet.png")
    return 0


def _sets(theatre: Theatre, options: argparse.Namespace) -> Iterator[tuple[str, Iterator[TheatrePicture]]]:
    if options.poses:
        yield ".", usual_pictures(theatre, options.poses, options.size)
    if options.pairs:
        yield "pairs", pairs(theatre, options.pairs, options.size)
    if options.camera:
        yield "camera", wrong_camera_pictures(theatre, options.camera, options.size)
    if options.wrong:
        yield "wrong", wrong_pictures(theatre, options.size)


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder of the pictures")
    parser.add_argument("--set", choices=SETS, default=USUAL.name, help="whose pictures: %(choices)s")
    parser.add_argument("--subjects", type=int, default=6, help="number of patients")
    parser.add_argument("--poses", type=int, default=10, help="pictures of each patient")
    parser.add_argument("--size", type=int, default=768, help="columns and rows")
    parser.add_argument("--pairs", type=int, default=0, help="pairs of each patient")
    parser.add_argument("--camera", type=int, default=0, help="pictures of each patient by a camera wrongly stated")
    parser.add_argument("--wrong", action="store_true", help="pictures that must not be called converged")
    parser.add_argument("--patients", type=Path, help="folder of the patients")
    parser.add_argument("--sheet", action="store_true", help="write sheet.png with small copies of all pictures")
    return parser.parse_args(arguments)


def _tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
