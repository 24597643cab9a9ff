"""What 10,000 procedures of a plan's tolerance cost beside one full ``measure`` of the same case in the same run.

    python tests/benchmarks/tolerance_against_measure.py CASE

CPU seconds of all threads, warm (the second call of each): the ``measure`` command without and with its report, and the
part ``tolerance`` of ``decide`` as a whole, place to stop included.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance import tolerance_of
from cotyle.case.stages import hip_of, plan_cup, plan_on
from cotyle.case.store import read_case
from cotyle.cli.main import run


def cpu_s(call: Callable[[], object]) -> float:
    """Return the CPU seconds of the second of two calls."""
    call()
    begun = time.process_time()
    call()
    return time.process_time() - begun


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("case", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        case = Path(folder) / "case"
        shutil.copytree(options.case, case)
        stored = read_case(case)
        hip = hip_of(stored.anatomy, stored.scan, stored.plan.side)
        planned = plan_on(hip, stored.plan)
        whole = cpu_s(lambda: run(["measure", str(case), "--no-pdf", "--json"]))
        figures = cpu_s(lambda: plan_cup(stored.anatomy, stored.scan, stored.plan))
        # a copy of the hip has not made its ground ready yet
        tolerance = cpu_s(lambda: tolerance_of(planned, replace(hip), Questions(), 1))
    print(f"measure with its report        {whole:6.2f} s")
    print(f"measure, the figures alone     {figures:6.2f} s")
    print(f"tolerance, 10,000 procedures   {tolerance:6.2f} s   {tolerance / whole:.2f} of the first, ", end="")
    print(f"{tolerance / figures:.2f} of the second")


if __name__ == "__main__":
    main()
