"""How long a simulated X-ray picture takes on a CUDA card, against nanodrr's fused backend on the same card, same run.

    python tests/benchmarks/project_on_gpu.py [--batch 64] [--runs 20]

Both get one phantom of 512 x 512 x 400 voxels: a body of water with shells of bone and noise. Times are those of the
card (events round the calls, the launching included), the median of several runs. nanodrr (pip install nanodrr)
samples each ray 600 times within the volume, about once a voxel. Bars at 512 x 512: at most 0.35 ms a view, and at
most 0.3 of nanodrr's. Ends with 1 if a bar is missed, 2 without a card.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER
from cotyle.xray.attenuation import attenuation_curve
from cotyle.xray.carm import CArm, from_positioner
from cotyle.xray.projector.line_integrals import (
    ReadyVolume,
    add_pictures,
    line_integrals_of,
    prepare,
)
from cotyle.xray.projector.reference import line_integrals, rays_of

MS_BAR, RATIO_BAR = 0.35, 0.3
SAMPLES = 600
AIR_BELOW_HU = -900.0
# centre mm, half axes mm, HU inside; later ones cover earlier ones
BODIES = [
    ((0.0, 0.0, 0.0), (180.0, 120.0, 400.0), 0),
    ((0.0, 70.0, 30.0), (55.0, 28.0, 90.0), 700),
    ((0.0, 70.0, 30.0), (50.0, 23.0, 85.0), 200),
    ((-90.0, 10.0, 60.0), (55.0, 60.0, 80.0), 900),
    ((-90.0, 10.0, 60.0), (51.0, 56.0, 76.0), 150),
    ((90.0, 10.0, 60.0), (55.0, 60.0, 80.0), 900),
    ((90.0, 10.0, 60.0), (51.0, 56.0, 76.0), 150),
    ((-90.0, 0.0, -60.0), (25.0, 25.0, 25.0), 1100),
    ((90.0, 0.0, -60.0), (25.0, 25.0, 25.0), 1100),
    ((-110.0, 0.0, -150.0), (18.0, 18.0, 90.0), 1300),
    ((110.0, 0.0, -150.0), (18.0, 18.0, 90.0), 1300),
]


def phantom() -> Volume:
    """The phantom, int16 HU on a grid of 0.8 x 0.8 x 1 mm."""
    size, steps = np.array([512, 512, 400]), np.array([0.8, 0.8, 1.0])
    affine = np.diag([*steps, 1.0])
    affine[:3, 3] = -0.5 * (size - 1) * steps
    x, y, z = (affine[axis, 3] + steps[axis] * np.arange(size[axis]) for axis in range(3))
    hu = np.full(size[::-1], -1000, dtype=np.int16)
    for (cx, cy, cz), (a, b, c), inside in BODIES:
        flat = ((x - cx) / a) ** 2 + (((y - cy) / b) ** 2)[:, None]
        for k, high in enumerate(((z - cz) / c) ** 2):
            hu[k][flat + high < 1.0] = inside
    hu += np.random.default_rng(0).normal(0, 20, hu.shape).astype(np.int16)
    return Volume(hu, affine)


def views(size: int, count: int) -> list[CArm]:
    """C-arms at and round the AP view."""
    return [
        from_positioner(
            (3.0 * np.sin(n), 0.0, 2.0 * np.cos(n)),
            12.0 * np.sin(2.0 * n),
            8.0 * np.sin(3.0 * n),
            frame=SCANNER,
            source_detector_mm=1020,
            source_isocenter_mm=650,
            pixel_pitch_mm=(300.0 / size, 300.0 / size),
            size=(size, size),
        )
        for n in range(count)
    ]


def card_ms(work: Callable[[], object], runs: int, cupy: Any) -> float:
    """Median time of the card round a call, ms."""
    for _ in range(3):
        work()
    taken = []
    for _ in range(runs):
        begun, ended = cupy.cuda.Event(), cupy.cuda.Event()
        begun.record()
        work()
        ended.record()
        ended.synchronize()
        taken.append(cupy.cuda.get_elapsed_time(begun, ended))
    return float(np.median(taken))


def ours(ready: ReadyVolume, carms: list[CArm], cupy: Any) -> Callable[[], Any]:
    """A call that makes all pictures and leaves them on the card."""
    sources = np.stack([carm.source_lps_mm for carm in carms])
    rays = np.stack([rays_of(carm) for carm in carms])
    return lambda: add_pictures(ready, sources, rays, carms[0].size, cupy)


def nanodrr_call(mu: Volume, carms: list[CArm]) -> Callable[[], Any]:
    """The same by nanodrr's fused backend; pictures stay on the card."""
    import torch
    from nanodrr.data import Subject
    from nanodrr.drr import render

    def tensor(values: Any) -> Any:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32)

    image = tensor(mu.voxels)[None, None]
    subject = Subject(
        imagedata=image,
        labeldata=torch.zeros_like(image),
        voxel_to_world=tensor(mu.ijk_to_lps),
        world_to_voxel=tensor(mu.lps_to_ijk),
        voxel_to_grid=Subject._make_voxel_to_grid(image.shape),
        isocenter=torch.zeros(3),
        max_label=0,
        convert_to_mu=False,
    ).to("cuda")
    cameras, inner = [], []
    for carm in carms:
        pose = np.eye(4)
        pose[:3] = np.stack(
            [carm.column_direction_lps, carm.row_direction_lps, carm.normal_lps, carm.source_lps_mm], axis=1
        )
        distance, (column, row) = carm.source_detector_mm, carm.principal_point_px
        # its pixel 0 has its centre at 0.5
        matrix = [
            [distance / carm.pixel_pitch_mm[0], 0, column + 0.5],
            [0, distance / carm.pixel_pitch_mm[1], row + 0.5],
            [0, 0, 1],
        ]
        cameras.append(pose)
        inner.append(np.linalg.inv(matrix))
    poses, inverses = tensor(cameras).cuda(), tensor(inner).cuda()
    distances = tensor([carm.source_detector_mm for carm in carms]).cuda()
    columns, rows = carms[0].size
    return lambda: render(subject, inverses, poses, distances, rows, columns, SAMPLES, backend="triton")


def relative(picture: Any, exact: Any) -> str:
    """How far a picture is from another where that is above a twentieth of its most."""
    seen = exact > 0.05 * exact.max()
    off = abs(picture - exact)[seen] / exact[seen]
    return f"median {np.median(off):.1e}, 99 % {np.percentile(off, 99):.1e}, worst {off.max():.1e}"


def main() -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--runs", type=int, default=20)
    options = parser.parse_args()
    from cotyle.xray.projector.gpu import card

    try:
        cupy = card()
    except InputError as error:
        print(error)
        return 2
    print(cupy.cuda.runtime.getDeviceProperties(0)["name"].decode(), "cupy", cupy.__version__)
    volume, curve = phantom(), attenuation_curve(air_below_hu=AIR_BELOW_HU)
    mu = volume.with_voxels(curve.table[volume.voxels.astype(np.int64) + 32768])
    ready = prepare(volume, curve, device="gpu")
    begun = time.perf_counter()
    first = line_integrals_of(ready, views(512, 2))
    print(f"first call (packing, compiling, copying): {time.perf_counter() - begun:.1f} s")
    exact = line_integrals(volume, views(512, 2)[1], curve)
    print("ours from the CPU's reference:", relative(first[1], exact))
    have_other = True
    try:
        other = nanodrr_call(mu, views(512, 2))().cpu().numpy()[1, 0]
        print("nanodrr from the reference:   ", relative(other, exact))
    except ImportError as error:
        print(f"no nanodrr here ({error}): pip install nanodrr")
        have_other = False
    missed = 0
    for size in (64, 256, 512, 1024):
        for batch in (1, options.batch if size < 1024 else 8):
            carms = views(size, batch)
            mine = card_ms(ours(ready, carms, cupy), options.runs, cupy) / batch
            line = f"{size:5d} x {size:<5d} batch {batch:3d}: {mine:7.3f} ms a view"
            if have_other:
                theirs = card_ms(nanodrr_call(mu, carms), max(options.runs // 4, 3), cupy) / batch
                line += f", nanodrr {theirs:7.3f} ms, ratio {mine / theirs:.3f}"
                missed += size == 512 and mine > RATIO_BAR * theirs
            missed += size == 512 and mine > MS_BAR
            print(line, flush=True)
    begun = time.perf_counter()
    line_integrals_of(ready, views(512, options.batch))
    print(f"with the copy to the host, 512 x 512: {(time.perf_counter() - begun) * 1e3 / options.batch:.3f} ms a view")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
