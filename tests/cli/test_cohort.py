"""Cohorts: rows that are those of the cases, resuming, bad cases, and a real scheduler whose worker is killed."""

import csv
import json
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from cotyle.case.cohort.one_case import COTYLE
from cotyle.cli.cohort import run_cohort
from cotyle.errors import InputError

parquet = pytest.importorskip("pyarrow.parquet")

# Stands in for 'cotyle plan', which takes a minute: copies a case that was planned, or does what its CT's name says.
STAND_IN = """
    import json, os, shutil, sys, time
    from pathlib import Path
    ct, out = Path(sys.argv[2]), next(a[6:] for a in sys.argv if a.startswith("--out="))
    with open(r"{log}", "a") as log:
        log.write(f"{{ct.name}}\\n")
    if ct.name == "broken":
        print(json.dumps({{"error": {{"code": "no-pelvis", "text": "this is a knee"}}}}))
        sys.exit(2)
    if ct.name == "crash":
        os.abort()
    time.sleep(float(os.environ.get("STAND_IN_S", "0")))
    shutil.copytree(r"{case}", out, dirs_exist_ok=True)
    print("{{}}")
"""


@pytest.fixture
def planner(planned_case, tmp_path):
    script = tmp_path / "stand_in.py"
    script.write_text(textwrap.dedent(STAND_IN).format(log=tmp_path / "calls.txt", case=planned_case.folder))
    return (sys.executable, str(script))


def calls(tmp_path):
    path = tmp_path / "calls.txt"
    return path.read_text().split() if path.is_file() else []


def table(tmp_path, *cts):
    path = tmp_path / "hips.csv"
    rows = [f"{name},{tmp_path / name},right" for name in cts]
    path.write_text("\n".join(["name,ct,side", *rows]) + "\n")
    return path


def run(manifest, out, planner, **options):
    given = {"jobs": 2, "scheduler": None, "again": False, "pdf": False, "as_json": True} | options
    run_cohort(manifest, out, **given, command=planner)
    with (out / "cohort.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_each_case_has_a_row_and_a_bad_one_stops_nothing(planner, planned_case, tmp_path):
    out = tmp_path / "cohort"
    rows = run(table(tmp_path, "a", "broken", "crash", "b"), out, planner)
    assert [row["name"] for row in rows] == ["a", "broken", "crash", "b"]
    assert [row["outcome"] for row in rows] == ["planned", "refused", "failed", "planned"]
    assert rows[1]["code"] == "no-pelvis"
    assert rows[1]["wall.along_axis_mm"] == ""
    measured = planned_case.measurements
    for row in (rows[0], rows[3]):
        assert float(row["wall.along_axis_mm"]) == measured["wall"]["along_axis_mm"]
        assert float(row["orientation.supine.radiographic.inclination_deg"]) == pytest.approx(40.0)
        assert row["side"] == measured["side"]
    assert (out / "cases" / "a" / "plan.json").is_file()


def test_parquet_holds_what_the_csv_holds(planner, tmp_path):
    rows = run(table(tmp_path, "a", "broken"), tmp_path / "cohort", planner)
    held = parquet.read_table(tmp_path / "cohort" / "cohort.parquet").to_pylist()
    assert list(held[0]) == list(rows[0])
    for line, row in zip(held, rows, strict=True):
        for key, value in line.items():
            if isinstance(value, float):
                assert float(row[key]) == value
            elif value is None:
                assert row[key] == ""


def test_what_was_done_is_not_done_again_and_what_failed_is(planner, tmp_path):
    out = tmp_path / "cohort"
    run(table(tmp_path, "a", "broken", "crash"), out, planner)
    run(table(tmp_path, "a", "broken", "crash", "b"), out, planner)
    assert sorted(calls(tmp_path)) == ["a", "b", "broken", "crash", "crash"]
    run(table(tmp_path, "a", "broken"), out, planner, again=True)
    assert calls(tmp_path).count("broken") == 2
    assert calls(tmp_path).count("a") == 1


def test_a_case_that_is_asked_otherwise_is_done_again(planner, tmp_path):
    out = tmp_path / "cohort"
    run(table(tmp_path, "a"), out, planner)
    changed = tmp_path / "hips.csv"
    changed.write_text(f"name,ct,side,diameter\na,{tmp_path / 'a'},right,54\n")
    run(changed, out, planner)
    assert calls(tmp_path) == ["a", "a"]


def test_a_damaged_row_is_done_again(planner, tmp_path):
    out = tmp_path / "cohort"
    run(table(tmp_path, "a"), out, planner)
    (out / "rows" / "a.json").write_text("{")
    run(table(tmp_path, "a"), out, planner)
    assert calls(tmp_path) == ["a", "a"]


def test_a_folder_with_other_things_is_left_alone(planner, tmp_path):
    out = tmp_path / "cohort"
    out.mkdir()
    (out / "letters.txt").write_text("mine")
    with pytest.raises(InputError, match="other files"):
        run(table(tmp_path, "a"), out, planner)


def test_the_command_itself_refuses_what_is_no_scan(tmp_path):
    (tmp_path / "a").write_text("no scan")
    rows = run(table(tmp_path, "a", "missing"), tmp_path / "cohort", COTYLE)
    assert [row["outcome"] for row in rows] == ["refused", "refused"]
    assert all(row["code"] for row in rows)


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:9", "", "x", "tls://127.0.0.1:9", "ucx://a:9", "tcp://127.0.0.1:99999", "a b:1"]
)
def test_no_scheduler_is_said_in_one_line(planner, tmp_path, monkeypatch, address):
    pytest.importorskip("distributed")
    monkeypatch.setattr("cotyle.cli.cohort._CONNECT_S", 1)
    with pytest.raises(InputError, match="no Dask scheduler"):
        run(table(tmp_path, "a"), tmp_path / "cohort", planner, scheduler=address)


@pytest.fixture
def dask_cluster(tmp_path):
    """A real scheduler and two workers on loopback, each a process of its own."""
    pytest.importorskip("distributed")
    scheduler_file = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    local = ["--host", "127.0.0.1", "--no-dashboard"]
    scheduler = subprocess.Popen([*dask, *local, "--port", "0", "--scheduler-file", str(scheduler_file)], **quiet)
    processes = [scheduler]
    try:
        until = time.monotonic() + 60
        while not scheduler_file.is_file():
            assert time.monotonic() < until
            time.sleep(0.1)
        address = json.loads(scheduler_file.read_text())["address"]
        worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, *local]
        once = ["--nthreads", "1", "--no-nanny", "--local-directory", str(tmp_path)]
        processes += [subprocess.Popen([*worker, *once], **quiet) for _ in range(2)]
        yield address, processes[1:]
    finally:
        for process in processes:
            process.kill()
            process.wait()


def test_a_worker_that_is_killed_midway_loses_nothing(planner, tmp_path, dask_cluster, monkeypatch):
    address, workers = dask_cluster
    monkeypatch.setenv("STAND_IN_S", "0")
    slow = tmp_path / "slow.py"
    slow.write_text(Path(planner[1]).read_text().replace('"STAND_IN_S", "0"', '"NOT_SET", "1.0"'))
    names = [f"case{n}" for n in range(6)]
    started = time.monotonic()

    import threading

    def kill_one():
        while not calls(tmp_path) and time.monotonic() < started + 60:
            time.sleep(0.05)
        workers[0].send_signal(signal.SIGKILL)

    killer = threading.Thread(target=kill_one)
    killer.start()
    rows = run(table(tmp_path, *names), tmp_path / "cohort", (sys.executable, str(slow)), scheduler=address)
    killer.join()
    assert [row["name"] for row in rows] == names
    assert {row["outcome"] for row in rows} == {"planned"}
    assert workers[0].poll() is not None
    assert len(calls(tmp_path)) >= len(names)
    shutil.rmtree(tmp_path / "cohort")
