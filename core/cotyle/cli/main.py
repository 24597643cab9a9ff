"""The ``cotyle`` command.

Exit codes: 0 done, 2 the input cannot be used (one line says why), 1 our fault. Data go to stdout, all else to stderr.
Nothing heavy is imported before a command runs, so that ``cotyle --help`` answers at once.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from cotyle.cli.export import export
from cotyle.cli.options import (
    AnteversionOption,
    CaseArgument,
    CenterOption,
    CtArgument,
    DefinitionOption,
    DiameterOption,
    FrameOption,
    IdentityOption,
    InclinationOption,
    JsonOption,
    LabelNamesOption,
    OutOption,
    PdfOption,
    SeriesOption,
    SideOption,
    TargetsOption,
    TiltOption,
)

app = typer.Typer(
    name="cotyle",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Plan the acetabular cup of a hip replacement in 3D on a CT of the pelvis.\n\n"
    "Research software, not a medical device. Check every number; local codes and licensed practice decide.",
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from cotyle import __version__

        typer.echo(f"cotyle {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the whole trace of an error of ours.")] = False,
) -> None:
    # --debug is listed here for --help and read by run()
    del version, debug


@app.command()
def demo(out: OutOption = Path("cotyle-demo"), as_json: JsonOption = False) -> None:
    """Build the synthetic sample case, plan it and write the report."""
    from cotyle.cli.commands import run_demo

    run_demo(out, as_json)


@app.command()
def check(ct: CtArgument, as_json: JsonOption = False) -> None:
    """Tell what is in a folder or file, and whether it can be planned on."""
    from cotyle.cli.commands import run_check

    run_check(ct, as_json)


@app.command()
def plan(
    ct: CtArgument,
    side: SideOption,
    out: OutOption,
    labels: Annotated[
        Path | None, typer.Option("--labels", help="Your own label map of the bones (NIfTI, NRRD, DICOM SEG ...).")
    ] = None,
    label_names: LabelNamesOption = None,
    landmarks: Annotated[
        Path | None, typer.Option("--landmarks", help="Your own landmarks (JSON, CSV or markups JSON); they win.")
    ] = None,
    targets: TargetsOption = None,
    series: SeriesOption = None,
    repair: Annotated[
        bool, typer.Option("--repair", help="Repair gaps, tilt and uneven spacing, and record it.")
    ] = False,
    center: CenterOption = None,
    diameter: DiameterOption = None,
    inclination: InclinationOption = None,
    anteversion: AnteversionOption = None,
    definition: DefinitionOption = None,
    frame: FrameOption = None,
    standing_tilt_change: TiltOption = None,
    keep_identity: IdentityOption = False,
    pdf: PdfOption = True,
    as_json: JsonOption = False,
) -> None:
    """Plan a cup on a CT and write the case folder with its report."""
    from cotyle.cli.choices import Choices
    from cotyle.cli.commands import PlanFiles, run_plan

    choices = Choices(
        side, center, diameter, inclination, anteversion, definition, frame, standing_tilt_change, targets
    )
    files = PlanFiles(ct, out, labels, label_names, landmarks, series)
    run_plan(files, choices, repair=repair, keep_identity=keep_identity, pdf=pdf, as_json=as_json)


@app.command()
def measure(
    case: CaseArgument,
    center: CenterOption = None,
    diameter: DiameterOption = None,
    inclination: InclinationOption = None,
    anteversion: AnteversionOption = None,
    definition: DefinitionOption = None,
    frame: FrameOption = None,
    standing_tilt_change: TiltOption = None,
    targets: TargetsOption = None,
    pdf: PdfOption = True,
    as_json: JsonOption = False,
) -> None:
    """Measure a cup on a case again, with what you change about it, and renew its files."""
    from cotyle.cli.choices import Choices
    from cotyle.cli.commands import run_measure

    choices = Choices(
        None, center, diameter, inclination, anteversion, definition, frame, standing_tilt_change, targets
    )
    run_measure(case, choices, pdf=pdf, as_json=as_json)


@app.command()
def repair(
    case: Annotated[
        Path, typer.Argument(metavar="CASE", help="Case folder, or one that 'plan' left where it could not plan.")
    ],
    labels: Annotated[
        Path | None, typer.Option("--labels", help="Corrected label map; bones that it does not hold stay.")
    ] = None,
    label_names: LabelNamesOption = None,
    landmarks: Annotated[
        Path | None, typer.Option("--landmarks", help="Corrected landmarks; those that were moved count as yours.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write another case folder instead of renewing this one.")
    ] = None,
    keep_cup: Annotated[
        bool, typer.Option("--keep-cup", help="Leave a cup that was proposed where it is; a chosen one always stays.")
    ] = False,
    pdf: PdfOption = True,
    as_json: JsonOption = False,
) -> None:
    """Correct bones or landmarks of a case by file, and do again only what rests on them."""
    from cotyle.cli.repair import RepairFiles, run_repair

    files = RepairFiles(case, labels, label_names, landmarks, out)
    run_repair(files, keep_cup=keep_cup, pdf=pdf, as_json=as_json)


@app.command()
def xray(
    case: CaseArgument,
    view: Annotated[
        list[str],
        typer.Option(
            "--view",
            help="ap_pelvis, ap_hip, inlet, outlet, obturator_oblique, iliac_oblique or cross_table_lateral; "
            "may be given several times.",
        ),
    ],
    frame: Annotated[
        str, typer.Option("--frame", help="What the view is level with: scanner, app, supine or standing.")
    ] = "supine",
    film: Annotated[
        bool, typer.Option("--film", help="Tube over the table, as for a film, not under it as on a C-arm.")
    ] = False,
    angle: Annotated[float | None, typer.Option("--angle", help="Angle of an oblique view, without a sign.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Simulate X-ray views of a case with the planned cup's outline."""
    from cotyle.cli.commands import run_xray

    run_xray(case, view, frame, film, angle, as_json)


@app.command(name="compare")
def compare_command(
    case: CaseArgument,
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE", help="Real X-ray pictures of one moment.")],
    view: Annotated[
        list[str],
        typer.Option(
            "--view", help="The view's name, as for 'xray'; once for all pictures or once for each, in their order."
        ),
    ],
    cup_diameter: Annotated[
        float | None,
        typer.Option(
            "--cup-diameter", help="Outer diameter in mm of the cup or reamer shown, if not the planned cup's."
        ),
    ] = None,
    pixel_pitch: Annotated[
        float | None, typer.Option("--pixel-pitch", help="Width of a pixel on the detector, mm.")
    ] = None,
    source_detector: Annotated[
        float | None, typer.Option("--source-detector", help="Distance from source to detector, mm.")
    ] = None,
    source_isocenter: Annotated[
        float | None, typer.Option("--source-isocenter", help="Distance from source to isocentre, mm.")
    ] = None,
    tube: Annotated[
        str | None, typer.Option("--tube", help="Where the tube stood: under_table, over_table or cross_table.")
    ] = None,
    shown: Annotated[
        str | None,
        typer.Option("--shown", help="Directions in which columns and rows run, such as L/F (left, feet)."),
    ] = None,
    polarity: Annotated[
        str | None, typer.Option("--polarity", help="bone_light or bone_dark, if the picture does not tell.")
    ] = None,
    picture_frame: Annotated[
        list[int] | None,
        typer.Option("--picture-frame", help="Number of the frame, from 1, in a file of several."),
    ] = None,
    angles: Annotated[
        list[str] | None,
        typer.Option("--angles", help="The machine's own primary and secondary angle, once for each picture: 30,-5."),
    ] = None,
    rim: Annotated[
        list[str] | None,
        typer.Option("--rim", help="Five or more points on the cup's rim, once for each picture: '412,300 430,288'."),
    ] = None,
    clicks: Annotated[
        list[Path] | None,
        typer.Option("--clicks", help="JSON of places clicked, name to [column, row], once for each picture: a start."),
    ] = None,
    sphere: Annotated[
        list[str] | None,
        typer.Option(
            "--sphere",
            help="Three or more points on the outline of a ball, head or cup, once for each picture: the scale.",
        ),
    ] = None,
    sphere_diameter: Annotated[
        float | None, typer.Option("--sphere-diameter", help="Diameter of that sphere, mm.")
    ] = None,
    sphere_depth: Annotated[
        float | None,
        typer.Option("--sphere-depth", help="Distance from source to that sphere, mm, if not the isocentre's."),
    ] = None,
    grid: Annotated[
        Path | None,
        typer.Option("--grid", help="Picture of the machine's grid of dots, or the file 'grid' wrote: its distortion."),
    ] = None,
    region: Annotated[
        str | None,
        typer.Option("--region", help="Part of the file that is the X-ray: first column, first row, columns, rows."),
    ] = None,
    pdf: PdfOption = True,
    as_json: JsonOption = False,
) -> None:
    """Find where the C-arm stood, and compare the cup in real pictures with the plan."""
    from cotyle.cli.compare import run_compare
    from cotyle.cli.picture_words import PictureWords

    words = PictureWords(
        view,
        picture_frame or [],
        shown,
        polarity,
        tube,
        pixel_pitch,
        source_detector,
        source_isocenter,
        angles or [],
        rim or [],
        clicks or [],
        sphere or [],
        sphere_diameter,
        sphere_depth,
        grid,
        region,
    )
    run_compare(case, images, words, cup_diameter, pdf=pdf, as_json=as_json)


@app.command()
def decide(
    case: CaseArgument,
    given: Annotated[
        Path | None, typer.Option("--given", help="What you know or ask for (JSON): postures, limits, sizes ...")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", help="options, posture, motion, tolerance, screws, bone, revision; several by commas."),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of everything that is drawn by lot.")] = 1,
    pdf: PdfOption = True,
    as_json: JsonOption = False,
) -> None:
    """Show the choices that a plan leaves, with their price, and how much of it is left to chance."""
    from cotyle.cli.decide import run_decide

    run_decide(case, given, only or [], seed, pdf=pdf, as_json=as_json)


@app.command()
def grid(
    picture: Annotated[Path, typer.Argument(metavar="IMAGE", help="Picture of a square grid of dots, straight on.")],
    out: Annotated[Path, typer.Option("--out", help="Distortion file (JSON) to write, for 'compare --grid'.")],
    as_json: JsonOption = False,
) -> None:
    """Read how a machine bends its pictures off a picture of a grid of dots."""
    from cotyle.cli.grid import run_grid

    run_grid(picture, out, as_json)


@app.command()
def cohort(
    manifest: Annotated[
        Path, typer.Argument(metavar="MANIFEST", help="CSV table: name, ct, side; options of 'plan' by name.")
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder to write; one that was begun is gone on with.")],
    jobs: Annotated[int, typer.Option("--jobs", min=1, max=256, help="Cases at a time on this machine.")] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="Dask scheduler whose workers plan instead: tcp://HOST:PORT."
        ),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Try cases that were refused once more.")] = False,
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="Write each report as PDF, too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Plan many cases, and write one row of measurements for each as CSV and Parquet."""
    from cotyle.cli.cohort import run_cohort

    run_cohort(manifest, out, jobs=jobs, scheduler=scheduler, again=again, pdf=pdf, as_json=as_json)


@app.command()
def view(
    source: Annotated[
        Path | None,
        typer.Argument(metavar="CASE", help="Case folder; or a CT, as for 'plan', to begin a case from."),
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to listen on; 0 takes a free one.")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    open_to_network: Annotated[
        str | None,
        typer.Option(
            "--open-to-network",
            metavar="ADDRESS",
            help="Address of this machine to open to its network: whoever has the link then sees and changes the case, "
            "over a connection that is not encrypted. Without it, only this machine can.",
        ),
    ] = None,
) -> None:
    """Plan with eyes and hands: open a case, or begin one, in the browser, on this machine alone."""
    from cotyle.cli.view import run_view

    run_view(source, port=port, address=open_to_network, browser=browser)


app.command()(export)


def run(arguments: list[str] | None = None) -> int:
    """Entry point: run a command and end with its exit code, each error on one line."""
    given = sys.argv[1:] if arguments is None else arguments
    plain = [each for each in given if each != "--debug"]  # may stand anywhere
    try:
        code = app(args=plain, prog_name="cotyle", standalone_mode=False)
        if code == 130:  # some versions of typer swallow that the user stopped them
            raise KeyboardInterrupt
        return int(code) if isinstance(code, int) else 0
    except (Exception, KeyboardInterrupt) as error:
        from cotyle.cli.failures import report_failure

        return report_failure(error, debug="--debug" in given, as_json="--json" in given, arguments=plain)


if __name__ == "__main__":
    sys.exit(run())
