"""Options and arguments that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

CaseArgument = Annotated[Path, typer.Argument(metavar="CASE", help="Case folder that 'plan' wrote.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout.")]
