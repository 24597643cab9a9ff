"""How fast the planning session answers, beside a whole ``measure`` of the same case in the same run.

    python tests/benchmarks/live_numbers.py CASE [--changes 30]

All times are CPU time of this process, so that other work on the machine does not count; set NUMBA_NUM_THREADS=1 for
figures of one core. Bars of the planning page: numbers within 100 ms of a change, a simulated view of 384 x 384 within
200 ms. Each set of live numbers is compared with the whole measurement of the same plan: the benchmark ends with 1 if
one digit differs or a bar is missed.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

NUMBERS_BAR_MS, VIEW_BAR_MS = 100.0, 200.0
SIZE_PX = 384


def cpu_ms(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the CPU time of a piece of work in ms, and its result."""
    begun = time.process_time()
    result = work()
    return 1e3 * (time.process_time() - begun), result


def row(name: str, times_ms: list[float], whole_ms: float) -> float:
    """Print one line; return the median."""
    median = statistics.median(times_ms)
    print(f"{name:46s}{median:9.1f} ms   most {max(times_ms):8.1f}   1 : {whole_ms / median:.0f}")
    return median


def main() -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("case", type=Path)
    parser.add_argument("--changes", type=int, default=30)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        case = Path(place) / "case"
        shutil.copytree(options.case, case)
        return timed(case, options.changes)


def timed(case: Path, changes: int) -> int:
    """Time session and measurement on one case; return the exit code."""
    from cotyle.case.asked_view import ViewRequest
    from cotyle.case.live import live_numbers
    from cotyle.case.plan_changes import moved, with_angles
    from cotyle.case.results import measurements_of
    from cotyle.case.simulated import case_cues
    from cotyle.case.stages import hip_of, plan_on
    from cotyle.case.store import open_case
    from cotyle.cli.main import run
    from cotyle.cup.orientation import Definition
    from cotyle_platform.session.results import Drawer

    run(["measure", str(case), "--no-pdf"])  # loads what is loaded once
    whole_ms, code = cpu_ms(lambda: run(["measure", str(case), "--no-pdf"]))
    assert code == 0
    reading_ms, opened = cpu_ms(lambda: open_case(case))
    stored = opened.stored
    hip = hip_of(stored.anatomy, stored.scan, stored.plan.side)
    first_ms, _ = cpu_ms(lambda: live_numbers(hip, stored.plan))
    drawer, rng = Drawer(stored.scan), np.random.default_rng(1)
    times: dict[str, list[float]] = {name: [] for name in ("numbers", "full", "fine", "coarse", "outlines")}
    differing = 0
    pelvis = hip.pelvis(0.0)
    for _ in range(changes):
        plan = moved(stored.plan, pelvis, *rng.uniform(-4, 4, 4))
        plan = with_angles(plan, pelvis, Definition.RADIOGRAPHIC, "supine", rng.uniform(30, 55), rng.uniform(5, 30))
        spent, live = cpu_ms(lambda plan=plan: live_numbers(hip, plan))
        times["numbers"].append(spent)
        spent, (planned, _) = cpu_ms(lambda plan=plan: _in_full(plan_on(hip, plan), measurements_of, case_cues))
        times["full"].append(spent)
        differing += _figures(live) != _figures(planned)
        asked = ViewRequest("ap_pelvis", primary_deg=rng.uniform(-20, 20), size_px=SIZE_PX)
        for name, coarse in (("coarse", True), ("fine", False), ("outlines", False)):
            spent, _ = cpu_ms(lambda live=live, asked=asked, coarse=coarse: drawer.draw(live, asked, coarse))
            times[name].append(spent)
    print(f"\n{'measure, the whole command without PDF':46s}{whole_ms:9.1f} ms")
    print(f"{'opening: reading the case':46s}{reading_ms:9.1f} ms")
    print(f"{'opening: the first numbers':46s}{first_ms:9.1f} ms")
    numbers = row("numbers that are always in view", times["numbers"], whole_ms)
    row("everything that is measured", times["full"], whole_ms)
    view = row(f"simulated view, {SIZE_PX} x {SIZE_PX}", times["fine"], whole_ms)
    row("the same while the machine moves", times["coarse"], whole_ms)
    row("outlines and cues on a picture that stands", times["outlines"], whole_ms)
    print(f"live numbers that differ from the whole measurement: {differing} of {changes}")
    print(f"bars: numbers {NUMBERS_BAR_MS:g} ms, view {VIEW_BAR_MS:g} ms")
    return 0 if differing == 0 and numbers <= NUMBERS_BAR_MS and view <= VIEW_BAR_MS else 1


def _in_full(planned: Any, measurements_of: Any, case_cues: Any) -> tuple[Any, Any]:
    return planned, measurements_of(planned, case_cues(planned))


def _figures(numbers: Any) -> list[Any]:
    wall, coverage = numbers.wall, numbers.coverage
    return [
        wall.along_axis_mm,
        wall.advance_mm,
        wall.minimum_mm,
        wall.uncertainty_mm,
        wall.minimum_uncertainty_mm,
        wall.breached,
        coverage.fraction,
        coverage.near_fraction,
        dict(coverage.sectors),
    ]


if __name__ == "__main__":
    sys.exit(main())
