"""How long a whole plan takes, and how much memory, against two steps of SimpleITK on the same series in the same run.

    python tests/benchmarks/plan_against_sitk.py [--slices 400] [--series FOLDER] [--side right]

The yardstick is SimpleITK reading the series and computing one signed Maurer distance map of its bone. Bars: time at
most 4 times that (aim: 2), peak memory at most 12 times the int16 volume. Each runs in its own process; a plan is run
twice, since the first run on a machine also compiles loops and keeps them. Ends with 1 if a bar is missed. Peak memory
needs os.wait4 (Linux, macOS) and is that of the largest process, not the sum of a process and its helpers.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

TIME_BAR, TIME_AIM, MEMORY_BAR = 4.0, 2.0, 12.0
BONE_FROM_HU = 200
VOXEL_MM = (0.8, 0.8, 1.0)

YARDSTICK = """
import sys, time
import SimpleITK as sitk
begun = time.perf_counter()
reader = sitk.ImageSeriesReader()
reader.SetFileNames(reader.GetGDCMSeriesFileNames(sys.argv[1]))
image = reader.Execute()
read = time.perf_counter()
sitk.SignedMaurerDistanceMap(image > int(sys.argv[2]), squaredDistance=False, useImageSpacing=True)
mapped = time.perf_counter()
print(f"  reading {read - begun:.1f} s, distance map {mapped - read:.1f} s")
"""


@dataclass(frozen=True)
class Measured:
    """Wall-clock seconds and peak memory in bytes (0 where the system does not tell)."""

    seconds: float
    peak_bytes: int


def measured(command: list[str]) -> Measured:
    """Run a command; its output goes to ours. Ends the benchmark if it fails."""
    begun = time.perf_counter()
    child = subprocess.Popen(command)
    if not hasattr(os, "wait4"):
        child.wait()
        peak, status = 0, child.returncode
    else:
        _, raw_status, usage = os.wait4(child.pid, 0)
        status = os.waitstatus_to_exitcode(raw_status)
        child.returncode = status
        peak = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    seconds = time.perf_counter() - begun
    if status != 0:
        sys.exit(f"this command ended with {status}: {' '.join(command)}")
    return Measured(seconds, peak)


def make_series(folder: Path, slices: int) -> None:
    """Write a synthetic series of 512 x 512 voxels a slice."""
    from cotyle.anatomy.pelvis import Posture
    from cotyle_sample.dicom import write_series
    from cotyle_sample.scanner import scan
    from cotyle_sample.subject import make_subject

    volume, _ = scan(make_subject(seed=4), Posture(6.0, 3.0, 2.0), VOXEL_MM, size=(512, 512, slices), seed=4)
    write_series(volume, folder, name="benchmark")


def main() -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--slices", type=int, default=400)
    parser.add_argument("--series", type=Path, help="use this DICOM folder instead of a synthetic one")
    parser.add_argument("--side", default="right")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        series = options.series
        if series is None:
            series = Path(place) / "ct"
            print(f"making a series of 512 x 512 x {options.slices}", flush=True)
            make_series(series, options.slices)
        return compare(series, options.side, Path(place))


def compare(series: Path, side: str, place: Path) -> int:
    """Time both on one series and print the ratios; return the exit code."""
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    names = reader.GetGDCMSeriesFileNames(str(series))
    first = sitk.ReadImage(names[0])
    volume_bytes = 2 * first.GetSize()[0] * first.GetSize()[1] * len(names)
    print("SimpleITK: read the series, one signed Maurer distance map", flush=True)
    yardstick = measured([sys.executable, "-c", YARDSTICK, str(series), str(BONE_FROM_HU)])
    plans = []
    for run in ("first", "second"):
        print(f"cotyle plan, {run} run", flush=True)
        out = place / f"case-{run}"
        command = [sys.executable, "-m", "cotyle.cli.main", "plan", str(series), "--side", side, "--out", str(out)]
        plans.append(measured(command))
    ratio = plans[-1].seconds / yardstick.seconds
    print(f"\nSimpleITK  {yardstick.seconds:6.1f} s  {yardstick.peak_bytes / 2**20:7.0f} MiB")
    for run, plan in zip(("first", "second"), plans, strict=True):
        print(f"plan {run:6s}{plan.seconds:6.1f} s  {plan.peak_bytes / 2**20:7.0f} MiB")
    print(f"time: {ratio:.2f} times the yardstick (bar {TIME_BAR:g}, aim {TIME_AIM:g})")
    share = max(plan.peak_bytes for plan in plans) / volume_bytes
    print(f"peak memory: {share:.1f} times the int16 volume of {volume_bytes / 2**20:.0f} MiB (bar {MEMORY_BAR:g})")
    return 0 if ratio <= TIME_BAR and share <= MEMORY_BAR else 1


if __name__ == "__main__":
    sys.exit(main())
