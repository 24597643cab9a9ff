"""Options and arguments that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

CaseArgument = Annotated[Path, typer.Argument(metavar="CASE", help="Case folder that 'plan' wrote.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout.")]
CtArgument = Annotated[
    Path, typer.Argument(metavar="CT", help="DICOM folder, or a DICOM, NIfTI, NRRD or MetaImage file.")
]
OutOption = Annotated[Path, typer.Option("--out", help="Case folder to write; a new one, or a case to replace.")]
TargetsOption = Annotated[Path | None, typer.Option("--targets", help="Targets, or a whole plan.json, as JSON.")]
PdfOption = Annotated[bool, typer.Option("--pdf/--no-pdf", help="Write the report as PDF, too.")]
SeriesOption = Annotated[str | None, typer.Option("--series", help="Series by its number in 'check', or by its UID.")]
LabelNamesOption = Annotated[
    Path | None, typer.Option("--label-names", help="JSON table of the label map's numbers to names of bones.")
]
SideOption = Annotated[str, typer.Option("--side", help="Hip to plan: left or right. Never guessed.")]
IdentityOption = Annotated[
    bool, typer.Option("--keep-identity", help="Put the patient's identity and study into the DICOM pictures.")
]
CenterOption = Annotated[
    str | None, typer.Option("--center", metavar="X,Y,Z", help="Cup centre, LPS mm: --center=-82.3,12,-40.5")
]
DiameterOption = Annotated[float | None, typer.Option("--diameter", "--cup-diameter", help="Outer diameter, mm.")]
InclinationOption = Annotated[float | None, typer.Option("--inclination", help="Inclination, degrees.")]
AnteversionOption = Annotated[float | None, typer.Option("--anteversion", help="Anteversion, degrees.")]
DefinitionOption = Annotated[
    str | None, typer.Option("--definition", help="Definition of both angles: radiographic, operative or anatomic.")
]
FrameOption = Annotated[str | None, typer.Option("--frame", help="Frame of both angles: app, supine or standing.")]
TiltOption = Annotated[
    float | None,
    typer.Option("--standing-tilt-change", help="Change of anterior pelvic tilt from lying to standing, degrees."),
]
