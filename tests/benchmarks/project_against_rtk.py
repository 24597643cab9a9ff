"""How much CPU time, memory and error a simulated X-ray picture takes, against itk-rtk on the same volume, same run.

    python tests/benchmarks/project_against_rtk.py [--slices 296] [--runs 7] [--view 0 0]

Both get one synthetic CT of 512 x 512 x 296 voxels and one curve from HU to mu with air below -900 HU left out; itk-rtk
(its Joseph filter) gets it as float32 mu. CPU time is that of all threads of this process, the least of several runs,
taken turn by turn. Errors are those of both on analytic ellipsoids, away from outlines. Memory is what a process holds
at its peak beyond the int16 CT, measured in a process of its own (Linux). Ends with 1 if a bar is missed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.xray.attenuation import attenuation_curve
from cotyle.xray.carm import CArm, from_positioner
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare, warm_up
from cotyle.xray.projector.packed_volume import Precision

from tests.xray.projector.bodies import OBLIQUE, STRAIGHT, VIEWS, c_arm, ellipsoid_volume, exact_line_integrals
from tests.xray.projector.outside import rtk_projector

AIR_BELOW_HU, BONE_ABOVE_HU = -900.0, 150.0
VOXEL_MM = (0.8, 0.8, 1.0)
# what, bar, aim
BARS = {
    "accurate / itk-rtk, 512 x 512": (0.5, 0.3),
    "fast / itk-rtk, 512 x 512": (0.2, 0.12),
    "bone alone, fast / itk-rtk, 512 x 512": (0.08, 0.04),
    "accurate, 1024 / 512": (4.2, 4.2),
    "fast, 1024 / 512": (4.2, 4.2),
    "bone alone, 1024 / 512": (4.2, 4.2),
    "making ready, accurate / itk-rtk": (1.0, 1.0),
    "making ready, fast / itk-rtk": (1.0, 1.0),
    "making ready, bone / itk-rtk": (1.0, 1.0),
    "error on ellipsoids, median / itk-rtk's": (1.0, 1.0),
    "error on ellipsoids, 99th percentile / itk-rtk's": (1.0, 1.0),
    "error on ellipsoids, worst / itk-rtk's": (1.0, 1.0),
    "memory, accurate / int16 CT": (1.5, 1.5),
    "memory, fast / int16 CT": (1.5, 1.5),
    "memory, bone / int16 CT": (1.0, 1.0),
}
# a ratio of errors may be above 1 by rounding
ROUNDING = 1.002
PARTS: dict[str, dict[str, Any]] = {
    "accurate": {"precision": Precision.ACCURATE},
    "fast": {"precision": Precision.FAST},
    "bone": {"precision": Precision.FAST, "bone_above_hu": BONE_ABOVE_HU},
}


def ready_part(volume: Volume, part: str) -> ReadyVolume:
    """Make the whole CT or its bone ready, by the name of the part."""
    return prepare(volume, attenuation_curve(air_below_hu=AIR_BELOW_HU), **PARTS[part])


def c_arm_of(volume: Volume, view: tuple[float, float], size: int) -> CArm:
    """A C-arm with a 300 mm detector, the volume's middle at its isocentre."""
    return from_positioner(
        volume.corners_lps_mm.mean(axis=0),
        *view,
        frame=SCANNER,
        source_detector_mm=1020,
        source_isocenter_mm=650,
        pixel_pitch_mm=(300.0 / size, 300.0 / size),
        size=(size, size),
    )


def cpu_seconds(works: dict[str, Callable[[], object]], runs: int) -> dict[str, float]:
    """CPU seconds of all threads for each work, the least of several turns."""
    least = dict.fromkeys(works, np.inf)
    for _ in range(runs):
        for name, work in works.items():
            begun = time.process_time()
            work()
            least[name] = min(least[name], time.process_time() - begun)
    return least


def synthetic_ct(slices: int) -> Volume:
    """A scan of 512 x 512 voxels a slice."""
    from cotyle.anatomy.pelvis import Posture
    from cotyle_sample.scanner import scan
    from cotyle_sample.subject import make_subject

    volume, _ = scan(make_subject(seed=4), Posture(6.0, 3.0, 2.0), VOXEL_MM, size=(512, 512, slices), seed=4)
    return volume


def time_ratios(volume: Volume, view: tuple[float, float], runs: int) -> dict[str, float]:
    """Ratios of CPU time, and how far the pictures differ, printed."""
    mu = volume.with_voxels(attenuation_curve(air_below_hu=AIR_BELOW_HU).table[volume.voxels.astype(np.int64) + 32768])
    small, large = (c_arm_of(volume, view, size) for size in (512, 1024))
    outside = rtk_projector(mu)
    ready = {part: ready_part(volume, part) for part in PARTS}
    reference = outside(small)
    seen = reference > 0.05 * reference.max()
    for part in ("accurate", "fast"):
        off = abs(line_integrals_of(ready[part], small) - reference)[seen] / reference[seen]
        print(
            f"{part} from itk-rtk, relative: median {np.median(off):.1e}, "
            f"99 % {np.percentile(off, 99):.1e}, worst {off.max():.1e}"
        )
    axis = next(iter(ready["accurate"].packings))
    works: dict[str, Callable[[], object]] = {"itk-rtk": lambda: outside(small)}
    for part in PARTS:
        works[f"{part} 512"] = lambda part=part: line_integrals_of(ready[part], small)
        works[f"{part} 1024"] = lambda part=part: line_integrals_of(ready[part], large)
        works[f"{part} ready"] = lambda part=part: ready_part(volume, part).packing(axis)
    seconds = cpu_seconds(works, runs)
    print("CPU seconds: " + ", ".join(f"{name} {value:.3f}" for name, value in seconds.items()))
    rtk = seconds["itk-rtk"]
    return {
        "accurate / itk-rtk, 512 x 512": seconds["accurate 512"] / rtk,
        "fast / itk-rtk, 512 x 512": seconds["fast 512"] / rtk,
        "bone alone, fast / itk-rtk, 512 x 512": seconds["bone 512"] / rtk,
        "accurate, 1024 / 512": seconds["accurate 1024"] / seconds["accurate 512"],
        "fast, 1024 / 512": seconds["fast 1024"] / seconds["fast 512"],
        "bone alone, 1024 / 512": seconds["bone 1024"] / seconds["bone 512"],
        **{f"making ready, {part} / itk-rtk": seconds[f"{part} ready"] / rtk for part in PARTS},
    }


def error_ratios() -> dict[str, float]:
    """The largest ratio of our errors to itk-rtk's on analytic ellipsoids, over two grids and three views."""
    names = [f"error on ellipsoids, {name} / itk-rtk's" for name in ("median", "99th percentile", "worst")]
    largest = dict.fromkeys(names, 0.0)
    for grid in ((np.eye(3), (1.6, 1.6, 1.6)), (OBLIQUE, (1.2, 1.4, 2.0))):
        volume = ellipsoid_volume(*grid)
        outside = rtk_projector(volume.with_voxels(STRAIGHT.table[volume.voxels.astype(np.int64) + 32768]))
        ready = prepare(volume, STRAIGHT)
        for view in VIEWS:
            carm = c_arm(*view)
            exact, clear = exact_line_integrals(carm)
            seen = clear & (exact > 0.05 * exact.max())
            ours, theirs = (
                [np.median(off), np.percentile(off, 99), off.max()]
                for off in (
                    abs(picture - exact)[seen] / exact[seen]
                    for picture in (line_integrals_of(ready, carm), outside(carm))
                )
            )
            for name, mine, other in zip(names, ours, theirs, strict=True):
                largest[name] = max(largest[name], mine / other)
    return largest


def memory_ratios(volume: Volume, view: tuple[float, float]) -> dict[str, float]:
    """Peak memory beyond the int16 CT while it is made ready and projected, each part in a process of its own."""
    found = {}
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "ct.npz"
        np.savez(path, voxels=volume.voxels, affine=volume.ijk_to_lps)
        for part in PARTS:
            command = [sys.executable, __file__, "--measure", part, str(path), *(str(angle) for angle in view)]
            answer = subprocess.run(command, check=True, capture_output=True, text=True).stdout
            found[f"memory, {part} / int16 CT"] = float(answer) / volume.voxels.nbytes
    return found


def measure_memory(part: str, path: str, view: tuple[float, float]) -> None:
    """Print by how many bytes one part raises the peak of this process."""
    held = np.load(path)
    volume = Volume(held["voxels"], held["affine"])
    warm_up()
    before = _memory("VmRSS")
    line_integrals_of(ready_part(volume, part), c_arm_of(volume, view, 512))
    print(_memory("VmHWM") - before)


def _memory(which: str) -> int:
    """Bytes held now (VmRSS) or at most so far (VmHWM) by this process, as Linux tells."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(which))


def main() -> int:
    """Return the exit code."""
    if sys.argv[1:2] == ["--measure"]:
        measure_memory(sys.argv[2], sys.argv[3], (float(sys.argv[4]), float(sys.argv[5])))
        return 0
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--slices", type=int, default=296)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--view", type=float, nargs=2, default=(0.0, 0.0), help="primary and secondary angle, deg")
    parser.add_argument("--volume", type=Path, help="keep the CT here, or take it from here")
    options = parser.parse_args()
    warm_up(print)
    volume = _kept_volume(options.volume, options.slices)
    print("x".join(str(n) for n in volume.size), "voxels of", volume.spacing_mm, "mm; view", *options.view)
    view = tuple(options.view)
    found = time_ratios(volume, view, options.runs) | error_ratios()
    if sys.platform == "linux":
        found |= memory_ratios(volume, view)
    missed = 0
    for name, ratio in found.items():
        bar, aim = BARS[name]
        missed += ratio > bar * (ROUNDING if name.startswith("error") else 1.0)
        print(f"{name:50s} {ratio:7.3f}   bar {bar:g}, aim {aim:g}")
    return 1 if missed else 0


def _kept_volume(path: Path | None, slices: int) -> Volume:
    if path is not None and path.exists():
        held = np.load(path)
        return Volume(held["voxels"], held["affine"])
    print(f"making a CT of 512 x 512 x {slices}", flush=True)
    volume = synthetic_ct(slices)
    if path is not None:
        np.savez(path, voxels=volume.voxels, affine=volume.ijk_to_lps)
    return volume


if __name__ == "__main__":
    sys.exit(main())
