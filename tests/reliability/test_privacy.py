"""No trace of the patient in anything that comes out, of any command, unless ``--keep-identity`` asks for it.

The patient stands in all headers and in the names of files and folders; the case was planned from such a series. Lines
on the terminal may repeat the last part of a path that was typed, and nothing else may.
"""

import json
import shutil
import subprocess
import sys

import numpy as np
import pydicom
import pytest
from cotyle.space.side import Side

from tests.cli.test_compare import GEOMETRY, SHOWN
from tests.identity import FOLDER, SECRETS, plant, traces
from tests.image.dicom_phantom import grid_positions, make_slices, write_slices
from tests.xray.pictures.makers import dicom, saved


@pytest.fixture
def named_case(planned_case, tmp_path):
    """A copy of the case in a folder that people called after the patient, beside files called so."""
    folder = tmp_path / "desk" / FOLDER
    shutil.copytree(planned_case.folder, folder)
    return folder


def only_typed(err):
    """Return what was said on the terminal without the folder's name where it was typed as the last part of a path."""
    return err.replace(FOLDER, "")


def test_the_planned_case_and_what_was_printed_hold_no_trace(planned_case):
    assert (planned_case.folder / "report.pdf").is_file()
    source = next(planned_case.series.glob("*.dcm"))
    assert len(set(traces(source))) >= len(SECRETS)  # the search itself finds the patient where there is one
    assert traces(planned_case.folder, json.dumps(planned_case.printed, ensure_ascii=False)) == []


def test_the_scans_own_identifiers_do_not_come_out_either(planned_case):
    header = pydicom.dcmread(next(planned_case.series.glob("*.dcm")), stop_before_pixels=True)
    for file in (path for path in planned_case.folder.rglob("*") if path.is_file()):
        content = file.read_bytes()
        for uid in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "FrameOfReferenceUID"):
            assert str(header[uid].value).encode() not in content, f"{uid} in {file.name}"


COMMANDS = {
    "measure": ("--diameter", 56, "--no-pdf", "--json"),
    "xray": ("--view", "ap_hip", "--json"),
    "decide": ("--only", "posture", "--no-pdf"),
    "export": ("--only", "measurements", "--only", "report", "--json", "--out"),
}


@pytest.mark.parametrize("verb", COMMANDS)
def test_a_command_leaves_and_says_no_trace(command, named_case, verb):
    more = [*COMMANDS[verb], *([named_case.parent / f"{FOLDER}-out"] if verb == "export" else [])]
    code, out, err = command(verb, named_case, *more, "--debug")
    assert code == 0, err
    assert traces(out, only_typed(err), named_case) == []
    for folder in named_case.parent.iterdir() if verb == "export" else ():
        assert traces(folder) == []


def test_repair_with_files_called_after_the_patient(command, named_case):
    points = json.loads((named_case / "landmarks.json").read_text())
    points["asis_right"]["lps_mm"][1] += 2.0
    file = named_case.parent / f"{FOLDER}.json"
    file.write_text(json.dumps(points))
    code, out, err = command("repair", named_case, "--landmarks", file, "--no-pdf", "--json")
    assert code == 0, err
    assert traces(out, only_typed(err), named_case) == []


def test_compare_with_a_picture_of_the_patient(command, named_case, sample_series):
    from tests.xray.registration.scenes import take

    _, volume, truth = sample_series
    seen = take(volume, truth, Side.RIGHT).picture.attenuation
    grey = (65535 * np.clip(seen / np.percentile(seen, 99.9), 0, 1)).astype(np.uint16)
    image = named_case.parent / f"{FOLDER}.dcm"
    saved(plant(dicom(grey, "OT")), image)
    more = ("--view", "ap_hip", *GEOMETRY, *SHOWN, "--no-pdf", "--cup-diameter", 50, "--json", "--debug")
    code, out, err = command("compare", named_case, image, *more)
    assert code == 0, err
    assert traces(out, only_typed(err), named_case) == []


def test_the_viewers_draft_and_what_it_saves(named_case, monkeypatch):
    session = pytest.importorskip("cotyle_platform.session.session", exc_type=ImportError)
    monkeypatch.setattr(session, "DRAFT_AFTER_S", 0.0)
    opened = session.PlanningSession.open(named_case)
    try:
        opened.change(outer_diameter_mm=58.0)
        assert opened.settle(120.0)
        assert (named_case / "draft.json").is_file()
        assert traces(named_case) == []
        opened.save()
        assert opened.settle(300.0)
    finally:
        opened.close()
    assert traces(named_case) == []


FAILING = {
    "no such view": ("xray", "CASE", "--view", "sideways"),
    "no such cup": ("measure", "CASE", "--diameter", 500),
    "no case": ("measure", "DESK/nothing"),
    "no landmarks": ("repair", "CASE", "--landmarks", "DESK/none.json"),
    "a plan of another kind": ("measure", "CASE", "--targets", "CASE/measurements.json"),
    "no picture": ("compare", "CASE", "CASE/plan.json", "--view", "ap_hip"),
    "no series": ("plan", "CASE", "--side", "left", "--out", "DESK/out"),
    "an option that is none": ("plan", "CASE", "--nonsense"),
}


@pytest.mark.parametrize("how", FAILING)
@pytest.mark.parametrize("debug", [False, True], ids=["plain", "debug"])
def test_a_failure_says_no_trace(command, named_case, how, debug):
    desk = named_case.parent
    words = [str(word).replace("CASE", str(named_case)).replace("DESK", f"{desk}/{FOLDER}-") for word in FAILING[how]]
    code, out, err = command(*words, "--json", *(["--debug"] if debug else []))
    assert code == 2, err
    assert traces(out, only_typed(err)) == []


def test_an_error_of_ours_says_no_trace(command, named_case, monkeypatch):
    inside = named_case / f"{SECRETS[1]}.json"

    def broken(*_):
        raise ValueError(f"cannot read {inside} of {SECRETS[0]!r}")

    monkeypatch.setattr("cotyle.cli.commands.read_case", broken)
    for more in ([], ["--debug"], ["--json"]):
        code, out, err = command("xray", named_case, "--view", "ap_hip", *more)
        assert code == 1
        assert traces(out, err) == [], err


@pytest.mark.parametrize("more", [(), ("--json",), ("--debug",)], ids=["plain", "json", "debug"])
def test_a_process_of_its_own_prints_no_trace(tmp_path, more):
    """Parsers warn on the real standard error, of odd values above all: here dates and names are none."""
    slices = make_slices(grid_positions(8, 4.0), size=32)
    for ds in slices:
        plant(ds)
        with pydicom.config.disable_value_validation():
            ds.PatientBirthDate, ds.StudyDate = "1931-04-17 Sunniva", "Sunniva"
            ds.PatientID = "Samplethwaite SQ-55-0913" * 9
            ds.PatientAge, ds.SliceThickness = "Sunniva", "1"
            ds["SliceThickness"]._value = "Sunniva"
    folder = write_slices(tmp_path / FOLDER, slices)
    (folder / f"{FOLDER}.txt").write_text("Sunniva")
    command = [sys.executable, "-m", "cotyle.cli.main", "check", str(folder), *more]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode in {0, 2}, done.stderr
    assert traces(done.stdout, done.stderr.replace(FOLDER.encode(), b"")) == []


def test_identity_is_kept_where_it_is_asked_for_and_only_in_dicom(command, named_case, planned_case):
    """The other half of the promise: with ``--keep-identity`` the patient's archive can file it."""
    out = named_case.parent / "out"
    more = ("--only", "measurements", "--source", planned_case.series, "--keep-identity", "--out", out, "--json")
    code, printed, err = command("export", named_case, *more)
    assert code == 0, err
    assert traces(printed, only_typed(err)) == []
    written = [path for path in out.rglob("*") if path.is_file()]
    assert written
    header = pydicom.dcmread(written[0], stop_before_pixels=True)
    assert header.PatientID == "SQ-55-0913"
    assert not [trace for trace in traces(out) if trace.startswith("name of")]


def test_a_cohort_keeps_no_trace_of_where_its_cases_lay(command, tmp_path):
    """What is refused is told in the table with the code and the words of ``plan --json``."""
    desk = tmp_path / FOLDER
    write_slices(desk / FOLDER, [plant(ds) for ds in make_slices(grid_positions(4, 4.0), size=16)])
    table = desk / f"{FOLDER}.csv"
    table.write_text(f"name,ct,side\nfirst,{FOLDER},left\nsecond,{FOLDER}/nothing,right\n", encoding="utf-8")
    code, out, err = command("cohort", table, "--out", desk / "out", "--json")
    assert code in {0, 2}, err
    assert (desk / "out").is_dir()
    assert traces(out, only_typed(err), desk / "out") == []
