"""The report of a planned case: pictures, page, PDF, X-ray views and surfaces, all into one folder."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import numpy as np
from PIL import Image

from cotyle.case import folder as names
from cotyle.case.cue_sheet import CueSheet
from cotyle.case.measurements import Doubt, Measurements
from cotyle.case.review import Review, Unplannable
from cotyle.case.simulated import SimulatedView, simulate, view_of
from cotyle.case.stages import PlannedCup, Progress
from cotyle.files import write_bytes_atomically, write_text_atomically
from cotyle.image.volume import Volume
from cotyle.report.dicom.pictures import StoredPicture, write_picture
from cotyle.report.dicom.study import Study
from cotyle.report.doubt_figure import doubt_pictures, hips_of
from cotyle.report.figures import AP_PELVIS, draw_doubts, draw_figures, rows_shown, view_caption
from cotyle.report.meshes import write_meshes
from cotyle.report.page import render_page, render_review
from cotyle.report.pdf import PdfUnavailableError, Typesetter
from cotyle.report.scene import Job
from cotyle.report.scene_process import SceneProcess
from cotyle.report.xray_figure import carm_of_drawn
from cotyle.xray.projector.line_integrals import warm_up

REPORT_VIEW = "ap_pelvis"


def write_report(
    folder: Path,
    planned: PlannedCup,
    measured: Measurements,
    scan: Volume,
    sheet: CueSheet,
    study: Study,
    *,
    pdf: bool = True,
    progress: Progress = lambda _: None,
) -> Measurements:
    """Write everything a reader looks at; return the measurements with what could not be drawn among the warnings."""
    with Typesetter() if pdf else contextlib.nullcontext() as typesetter:
        progress("simulating the AP pelvis")
        warm_up(progress)
        view = simulate(planned, scan, view_of(planned, REPORT_VIEW))
        drawn = draw_figures(planned, measured, scan, view, sheet, progress)
        if drawn.failure:
            measured = with_warning(measured, "no-3d-pictures", f"The 3D pictures are missing: {drawn.failure}.")
        progress("writing the report")
        html = render_page(planned.plan, measured, drawn.pictures, view_caption(view))
        finish_pdf = typesetter.begin(html) if typesetter else None
        for name, content in drawn.pictures.items():
            write_bytes_atomically(folder / names.FIGURES / f"{name}.png", content)
        rows = rows_shown(planned, view)
        write_view(folder / names.XRAY, view, drawn.pictures[AP_PELVIS], rows, study, number=1)
        write_meshes(folder / names.MESH, planned)
        if finish_pdf:
            try:
                write_bytes_atomically(folder / names.REPORT_PDF, finish_pdf())
            except PdfUnavailableError as error:
                text = f"{error.what[:1].upper()}{error.what[1:]}. {error.remedy}."
                measured = with_warning(measured, error.code, text)
                html = render_page(planned.plan, measured, drawn.pictures, view_caption(view))
    write_text_atomically(folder / names.REPORT_HTML, html)
    return measured


def write_review_pages(
    folder: Path, stopped: Unplannable, review: Review, scan: Volume, progress: Progress = lambda _: None
) -> None:
    """Write the page of a hip that could not be planned, with the doubt figures of both."""
    progress("drawing what is doubtful")
    hips = hips_of(stopped.skeleton, stopped.sockets, {side: hip.points for side, hip in review.verdict.hips.items()})
    with SceneProcess(Job(tuple(picture for hip in hips.values() for picture in doubt_pictures(hip)))) as process:
        drawn = process.result()
    pictures = draw_doubts(scan, hips, drawn)
    for name, content in pictures.items():
        write_bytes_atomically(folder / names.FIGURES / f"{name}.png", content)
    write_text_atomically(folder / names.REVIEW_HTML, render_review(review, stopped.landmarks, pictures))


def write_view(
    folder: Path,
    view: SimulatedView,
    overlaid: bytes,
    rows: tuple[float, float],
    study: Study,
    number: int,
    stem: str | None = None,
) -> list[Path]:
    """Write a simulated view: the plain picture, the PNG with the cup's outline, and DICOM of the latter.

    ``rows``: of the view, between which ``overlaid`` was cut.
    """
    name = stem or view.view.name
    plain, drawn, dicom = folder / f"{name}.png", folder / f"{name}-cup.png", folder / f"{name}.dcm"
    buffer = io.BytesIO()
    Image.fromarray(view.pixels).save(buffer, format="png")
    write_bytes_atomically(plain, buffer.getvalue())
    write_bytes_atomically(drawn, overlaid)
    rgb = np.ascontiguousarray(np.asarray(Image.open(io.BytesIO(overlaid)).convert("RGB")))
    carm = carm_of_drawn(view.view.carm, rows, (rgb.shape[1], rgb.shape[0]))
    write_picture(dicom, StoredPicture(rgb, view.view.description, carm), study, number)
    return [plain, drawn, dicom]


def with_warning(measured: Measurements, code: str, text: str) -> Measurements:
    """Return the measurements with one more warning, unless it is there already."""
    if any(each.code == code for each in measured.warnings):
        return measured
    return measured.model_copy(update={"warnings": (*measured.warnings, Doubt(code=code, text=text))})
