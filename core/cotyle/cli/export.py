"""``cotyle export``: a case's results as DICOM. Nothing heavy is imported before it runs."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from cotyle.cli.options import CaseArgument, JsonOption


def export(
    case: CaseArgument,
    out: Annotated[Path, typer.Option("--out", help="New folder for the DICOM files.")],
    source: Annotated[
        Path | None,
        typer.Option("--source", metavar="CT", help="The DICOM series that the case was planned on, to refer to."),
    ] = None,
    keep_identity: Annotated[
        bool,
        typer.Option(
            "--keep-identity", help="Join the patient's own study, with the patient's identity; asks for the CT."
        ),
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only",
            metavar="PART",
            help="segmentation, measurements, views, comparisons, decisions, report, surfaces or scan; several by "
            "commas.",
        ),
    ] = None,
    picture: Annotated[
        list[Path] | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="A DICOM X-ray picture that was compared, to refer to; with --keep-identity. May be given several "
            "times.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write a case's results as standard DICOM, for a picture archive: of nobody, or into the patient's own study."""
    from cotyle.cli.console import Progress, print_json, say
    from cotyle.errors import InputError
    from cotyle.report.dicom.export import export_case

    if keep_identity and source is None:
        raise InputError(
            "identity-source", "a case holds no identity of the patient that could be kept", "Give the CT with --source"
        )
    if source is not None and not keep_identity:
        raise InputError(
            "source-identity",
            "results that refer to the CT's own series join the patient's study and carry the patient's identity",
            "Add --keep-identity, or drop --source for a study of nobody",
        )
    if picture and not keep_identity:
        raise InputError(
            "source-identity",
            "a reference to an X-ray picture leads to the patient",
            "Add --source and --keep-identity, or drop --picture",
        )
    progress = Progress(quiet=as_json)
    parts = [name.strip() for each in only or () for name in each.split(",")]
    with progress.shown():
        found = export_case(case, out, source, parts, progress, picture or ())
    study = "nobody" if found.of_nobody else "patient"
    if as_json:
        files = [dataclasses.asdict(each) for each in found.files]
        left_out = [{"part": part, "why": why} for part, why in found.left_out]
        shown = found.shows_real_pictures
        print_json({"study": study, "files": files, "left_out": left_out, "shows_real_pictures": shown})
        return
    for part, why in found.left_out:
        say(f"! {part} left out: {why}")
    size = sum(each.bytes for each in found.files) / 1e6
    say(f"{out.name}: {len(found.files)} DICOM objects, {size:.0f} MB, research software, not a medical device.")
    if found.of_nobody and found.shows_real_pictures:
        say("! They show an X-ray picture: look whether text burnt into it names the patient before you hand them on.")
    if found.of_nobody:
        say("They are in a study of their own that names nobody: an archive will not join them to the patient's.")
    else:
        say("They carry the patient's identity and join the patient's own study.")
