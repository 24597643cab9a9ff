"""What each command does; imported only once a command runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.anatomy.landmark_files import check_inside, read_landmarks
from cotyle.case import folder as names
from cotyle.case.anatomy_file import Anatomy, case_scan
from cotyle.case.anatomy_stages import find_bones
from cotyle.case.comparison_file import carm_fields
from cotyle.case.decision.facts import has_decisions
from cotyle.case.folder import changed_whole, require_case, require_writable, written_whole
from cotyle.case.measurements import Measurements
from cotyle.case.one_writer import only_writer_of
from cotyle.case.plan_file import PlanFile
from cotyle.case.produced_by import produced_by
from cotyle.case.review import CannotPlanError, Review, Unplannable, review_of, surveyed, without_plan, write_review
from cotyle.case.simulated import simulate, view_of
from cotyle.case.stages import plan_cup, read_scan
from cotyle.case.store import open_case, read_case, write_anatomy, write_bones
from cotyle.case.verdict import Verdict
from cotyle.cli.choices import Choices, changed_plan, new_plan, with_new_targets
from cotyle.cli.console import Progress, print_json, print_table, say
from cotyle.errors import InputError
from cotyle.files import new_folder
from cotyle.image.volume import Volume
from cotyle.report.build import write_review_pages, write_view
from cotyle.report.case_writing import write_case, write_results
from cotyle.report.dicom.study import Study, case_study, study_of
from cotyle.report.figures import rows_shown, view_picture
from cotyle.xray.projector.line_integrals import prepare, warm_up

DEMO_SIDE = "right"


NO_ROOM_FOR_A_CUP = ("inner-surface-missing", "socket-size")
"""Codes of what the bones, not the user's choices, did to a plan."""


@dataclass(frozen=True)
class Unplanned:
    """A hip that could not be planned: why, and what stands in its folder."""

    error: InputError
    review: Review


@dataclass(frozen=True)
class PlanFiles:
    """Where ``plan`` reads and writes."""

    ct: Path
    out: Path
    labels: Path | None = None
    label_names: Path | None = None
    landmarks: Path | None = None
    series: str | None = None


def run_plan(
    files: PlanFiles, choices: Choices, *, repair: bool, keep_identity: bool, pdf: bool, as_json: bool
) -> None:
    """Plan a case and write its folder."""
    plan = new_plan(choices)
    given = {} if files.landmarks is None else read_landmarks(files.landmarks)
    _require_files(files)
    progress = Progress(quiet=as_json)
    with written_whole(files.out) as folder, progress.shown():
        progress("reading the scan")
        scan, info = read_scan(files.ct, files.series, repair)
        own_study = _own_study(info.source_files) if keep_identity else None
        check_inside(given, scan)
        found = find_bones(scan, info, plan.side, files.labels, files.label_names, progress)
        kept = case_scan(scan, found.skeleton.surfaces)
        del scan  # the case's own part is enough from here on
        progress("keeping scan and bones")
        write_bones(folder, found.labels, kept)
        progress("finding landmarks and sockets")
        anatomy = surveyed(found.skeleton, given, plan.side)
        study = own_study or case_study(found.skeleton.source, kept)
        measured = plan_or_review(folder, files.out, anatomy, kept, plan, study, pdf, progress)
    report_plan(files.out, measured, progress, as_json)


def run_measure(case: Path, choices: Choices, *, pdf: bool, as_json: bool) -> None:
    """Measure another cup on a case; its files are replaced all together."""
    progress = Progress(quiet=as_json)
    require_case(case)
    with progress.shown(), only_writer_of(case):
        progress("reading the case")
        opened = open_case(case)
        stored = opened.stored
        plan = stored.plan if choices.targets is None else with_new_targets(stored.plan, choices.targets)
        plan = changed_plan(plan, choices, proposed_orientation=plan.cup.orientation)
        require_writable(case)
        planned = plan_cup(stored.anatomy, stored.scan, plan, progress)
        decided = has_decisions(case)
        measured = write_case(case, opened, planned, pdf=pdf, progress=progress)
    say_gone(decided)
    report_plan(case, measured, progress, as_json)


def run_xray(case: Path, views: list[str], frame: str, film: bool, angle_deg: float | None, as_json: bool) -> None:
    """Write simulated views into a case."""
    progress = Progress(quiet=as_json)
    with progress.shown(), changed_whole(case) as folder:
        progress("reading the case")
        stored = read_case(case)
        planned = plan_cup(stored.anatomy, stored.scan, stored.plan)
        poses = [view_of(planned, name, frame, film, angle_deg) for name in views]  # all names are checked first
        study = case_study(stored.anatomy.source, stored.scan)
        warm_up(progress)
        ready = prepare(stored.scan)
        document: dict[str, Any] = {}
        for number, view in enumerate(poses, start=1):
            progress(f"simulating {view.name}")
            shown = simulate(planned, ready, view)
            stem = _view_stem(view.name, frame, film, angle_deg)
            picture, rows = view_picture(planned, shown), rows_shown(planned, shown)
            written = write_view(folder / names.XRAY, shown, picture, rows, study, number, stem)
            ellipse = shown.rim_ellipse
            document[stem] = {
                "description": view.description,
                "files": [file.relative_to(folder).as_posix() for file in written],
                "cues": shown.cues,
                "rim_ellipse": {
                    "center_px": ellipse.center,
                    "semi_major_px": ellipse.semi_major,
                    "semi_minor_px": ellipse.semi_minor,
                    "major_axis_angle_deg": shown.known_angle_deg,
                },
                "registration": carm_fields(view.carm),
            }
    if as_json:
        print_json({"views": document, "produced_by": produced_by().model_dump()})
        return
    for stem, each in document.items():
        say(f"{stem}: {each['description']}")
        say("  " + ", ".join(each["files"]))


def run_check(ct: Path, as_json: bool) -> None:
    """List the series of a folder or file; raise if none can be planned on."""
    from cotyle.image.check import ROW_TITLES, describe

    found = describe(ct)
    if as_json:
        print_json({"series": [each.as_dict() for each in found]})
    else:
        print_table(ROW_TITLES, [each.row() for each in found])


def run_demo(out: Path, as_json: bool) -> None:
    """Make the sample case and plan it; the synthetic scan is kept beside the plan."""
    try:
        from cotyle_sample import make_demo_case
    except ImportError as error:
        raise InputError("demo-missing", "the sample generator is not installed", "Install Cotyle whole") from error
    progress = Progress(quiet=as_json)
    sample = out.parent / f"{out.name}-sample"
    require_writable(out)
    if not (sample / "ct").is_dir():
        with progress.shown(), new_folder(sample) as folder:
            progress(f"making the synthetic sample scan in {sample.name}")
            make_demo_case(folder)
    choices = Choices(DEMO_SIDE, None, None, None, None, None, None, None, None)
    run_plan(PlanFiles(sample / "ct", out), choices, repair=False, keep_identity=False, pdf=True, as_json=as_json)


def plan_or_review(
    folder: Path,
    out: Path,
    anatomy: Anatomy | Unplannable,
    scan: Volume,
    plan: PlanFile,
    study: Study,
    pdf: bool,
    progress: Progress,
) -> Measurements | Unplanned:
    """Plan and write the case into ``folder``, or write why it can't be planned; a case that stands at ``out`` stays.

    Raises
    ------
    InputError
        Where the hip cannot be planned and ``out`` holds a case already.
    """
    if not isinstance(anatomy, Unplannable):
        try:
            planned = plan_cup(anatomy, scan, plan, progress)
        except InputError as error:
            if error.code not in NO_ROOM_FOR_A_CUP:
                raise
            anatomy = without_plan(anatomy, error, plan.side)
        else:
            write_anatomy(folder, planned.anatomy)
            return write_results(folder, planned, scan, study, pdf=pdf, progress=progress)
    if names.is_case(out):
        raise anatomy.error
    review = review_of(anatomy, plan)
    write_review(folder, anatomy, review)
    write_review_pages(folder, anatomy, review, scan, progress)
    return Unplanned(anatomy.error, review)


def report_plan(out: Path, measured: Measurements | Unplanned, progress: Progress, as_json: bool) -> None:
    """Say what came of a plan.

    Raises
    ------
    CannotPlanError
        If nothing could be planned: the folder then holds what can be corrected.
    """
    if isinstance(measured, Unplanned):
        remedy = (
            f"Look at {out.name}/{names.REVIEW_HTML}, correct {names.BONES} or {names.LANDMARKS} there, and give it to "
            f"'cotyle repair {out.name}'"
        )
        verdict = measured.review.verdict.model_dump()
        raise CannotPlanError(measured.error, remedy, {"verdict": verdict})
    if as_json:
        print_json({**measured.as_dict(), "timings_s": {words: round(s, 2) for words, s in progress.timings}})
        return
    plan = PlanFile.read(out / names.PLAN)
    frame, definition = plan.targets.frame, plan.targets.definition
    angles = measured.orientation[frame][definition]
    say_verdict(measured.verdict)
    for warning in measured.warnings:
        say(f"! {warning.text}")
    say(
        f"{measured.side} hip, {measured.cup.outer_diameter_mm:g} mm cup: inclination {angles.inclination_deg:.1f}, "
        f"anteversion {angles.anteversion_deg:.1f} deg ({definition}, {frame}); "
        f"wall {measured.wall.along_axis_mm:.1f} mm along the axis, "
        f"{measured.wall.minimum_mm:.1f} mm at least; {100 * measured.coverage.fraction:.0f} % covered"
    )
    total = sum(seconds for _, seconds in progress.timings)
    say(f"{out.name}/{names.REPORT_HTML} ({total:.0f} s). Research software, not a medical device: check every number.")


def say_gone(decided: bool) -> None:
    """Say, on stderr, that decisions of the earlier plan are gone, where there were any."""
    if decided:
        say("! the decisions worked out on the earlier plan are gone; 'cotyle decide' works them out on this one")


def say_verdict(verdict: Verdict) -> None:
    """Say the verdict and the points to check, on stderr."""
    say(f"{verdict.grade.upper().replace('_', ' ')}: {verdict.text}")
    for hip in verdict.hips.values():
        for point in hip.points:
            left, posterior, superior = point.lps_mm
            say(f"  {point.mark}  {point.words}: L {left:.1f}, P {posterior:.1f}, S {superior:.1f} mm  [{point.code}]")


def _require_files(files: PlanFiles) -> None:
    for path in (files.labels, files.label_names, files.landmarks):
        if path is not None and not path.is_file():
            raise InputError("file-missing", f"there is no file {path.name}", "Check the path")


def _own_study(source_files: tuple[Path, ...]) -> Study:
    if not source_files:
        raise InputError("identity-none", "this scan is no DICOM series and holds no identity", "Drop --keep-identity")
    return study_of(source_files[0])


def _view_stem(name: str, frame: str, film: bool, angle_deg: float | None) -> str:
    parts = [name, *([frame] if frame != "supine" else []), *(["film"] if film else [])]
    return "-".join([*parts, *([f"{abs(angle_deg):g}deg"] if angle_deg is not None else [])])
