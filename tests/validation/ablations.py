"""What each prior and each filter buys: the same scans with one of them taken out at a time.

python -m tests.validation.ablations [--names "necks cut,blur taken back"] [--jobs 2]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import numpy as np
from cotyle.anatomy.metal import replaced_hips
from cotyle.anatomy.segmentation import bone_shapes, bones, joints, pelvis_fit
from cotyle.anatomy.shapes.edge_profiles import Edges
from cotyle.anatomy.shapes.surface_fit import Limit
from cotyle.anatomy.sockets import socket_fits
from cotyle.anatomy.sockets.socket_sphere import SocketSphere
from cotyle.anatomy.sockets.socket_ways import SocketWay
from cotyle.cup import wall
from cotyle.cup.wall_gaps import WallGaps
from cotyle.space.arrays import Array
from cotyle.space.side import Side

from tests.validation import errors_of
from tests.validation.bars import BARS
from tests.validation.errors_of import Error
from tests.validation.hard import hard_trials, judge_scan
from tests.validation.hard_trial import HardTrial
from tests.validation.trials import TRIALS, make_scan

Without = Callable[[], AbstractContextManager[Any]]


COLUMNS = tuple(
    bar
    for quantity in ("dice", "center", "diameter", "tilt", "wall_along_axis", "wall_minimum", "coverage")
    for bar in BARS
    if bar.quantity == quantity
)
REFUSED = "refused"
Worst = dict[str, float]
"""Worst error by quantity; ``REFUSED`` alone where the scan was refused."""


@dataclass(frozen=True)
class Ablation:
    """One part taken out: its name in the table, how, and the scans that show what it buys."""

    name: str
    without: tuple[Without, ...]
    scans: tuple[str, ...]


def _replaced(module: Any, name: str, other: Any) -> Without:
    return lambda: patch.object(module, name, other)


def _no_limit(*_: Any) -> Limit:
    return lambda vertices, _normals: np.full(len(vertices), np.inf)


def _same_surface(_volume: Any, vertices: Array, *_: Any, **__: Any) -> tuple[Array, Edges]:
    return vertices, Edges(np.zeros(len(vertices)), np.full(len(vertices), 400.0))


def _fitted_model(_volume: Any, model: Any, fitted: Any, *_: Any) -> tuple[Array, Edges]:
    vertices = fitted.vertices(model)
    return vertices, Edges(np.zeros(len(vertices)), np.full(len(vertices), 400.0))


def _surface_alone(_side: Side, fit: SocketSphere, *_: Any) -> list[SocketWay]:
    return [SocketWay("articular surface", fit.sphere, fit.uncertainty_mm, fit.diameter_uncertainty_mm)]


ABLATIONS = (
    Ablation("free surface of the pelvis", (_replaced(bone_shapes, "follow_pelvis", _fitted_model),), ("D",)),
    Ablation("shape modes of the pelvis but the first", (_replaced(pelvis_fit, "MODES", 1),), ("D",)),
    Ablation(
        "sacrum looked for beside the hip bones",
        (_replaced(pelvis_fit, "sacrum_is_lost", lambda *_: False),),
        ("digitised-1",),
    ),
    Ablation(
        "blur taken back",
        (
            _replaced(bone_shapes, "settle_surface", _same_surface),
            _replaced(bone_shapes, "settle_femur", lambda _volume, _model, femur, *_: femur),
        ),
        ("D", "osteopenic-1", "thick-1"),
    ),
    Ablation("head seen from within", (_replaced(joints, "find_head", lambda *_: None),), ("D", "osteopenic-3")),
    Ablation(
        "heads bar the pelvis",
        (_replaced(bone_shapes, "clear_of_heads", _no_limit),),
        ("D", "child-3", "osteopenic-3"),
    ),
    Ablation(
        "pelvis bars the femora",
        (_replaced(bone_shapes, "clear_of_surface", _no_limit),),
        ("osteopenic-2", "displaced-3"),
    ),
    Ablation(
        "seam of a narrow joint",
        (_replaced(bone_shapes, "find_seams", lambda *_, **__: {}),),
        ("worn-3", "protrusio-1"),
    ),
    Ablation(
        "socket pushed out of the head",
        (_replaced(bone_shapes, "cleared_by_heads", lambda pelvis, *_: pelvis),),
        ("protrusio-1",),
    ),
    Ablation("gaps in the wall", (_replaced(wall, "find_gaps", lambda *_: WallGaps()),), ("worn-3",)),
    Ablation("soft tissue in the bed", (_replaced(errors_of, "find_soft_bed", lambda *_: None),), ("worn-3",)),
    Ablation(
        "head looked for outside its socket",
        (_replaced(joints, "find_displaced_head", lambda *_: None),),
        ("dysplasia-1", "displaced-3"),
    ),
    Ablation(
        "floor of an empty socket",
        (_replaced(joints, "find_empty_socket", lambda *_: []),),
        ("dysplasia-1", "displaced-3"),
    ),
    Ablation("folds taken out", (_replaced(bone_shapes, "unfolded", lambda pelvis, *_: pelvis),), ("displaced-2",)),
    Ablation(
        "hollow of a displaced head set aside",
        (_replaced(socket_fits, "find_displaced", lambda *_: None),),
        ("dysplasia-1", "displaced-3"),
    ),
    Ablation(
        "ways to know a socket besides its surface",
        (_replaced(socket_fits, "gather_ways", _surface_alone),),
        ("D", "dysplasia-1", "displaced-3", "worn-3"),
    ),
    Ablation("metal disbelieved", (_replaced(bones, "find_metal", lambda _: None),), ("fixed-2",)),
    Ablation(
        "surface drawn to the bone seen behind cups",
        (_replaced(bone_shapes, "guide_of", lambda _: None),),
        ("fixed-2", "loose-1", "cemented-1"),
    ),
    Ablation(
        "socket as the bone seen behind cups",
        (_replaced(replaced_hips, "bed_of", lambda *_: None),),
        ("loose-1", "cemented-1"),
    ),
    Ablation("necks cut", (_replaced(bones, "find_neck_cuts", lambda *_: {}),), ("fixed-2",)),
)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--names", default="", help="ablations to run, with commas between; all by default")
    parser.add_argument("--jobs", type=int, default=1, help="scans at a time")
    options = parser.parse_args(arguments)
    wanted = [name.strip() for name in options.names.split(",") if name.strip()]
    print(ablation_table([each for each in ABLATIONS if not wanted or each.name in wanted], options.jobs))
    return 0


def ablation_table(ablations: Sequence[Ablation], jobs: int) -> str:
    """Run every ablation on its scans and return the table: worst errors without the part, and with it."""
    scans = list(dict.fromkeys(scan for each in ablations for scan in each.scans))
    names = [[each.name for each in ablations if scan in each.scans] for scan in scans]
    with ProcessPoolExecutor(jobs) as pool:
        found = dict(zip(scans, pool.map(_run_scan, scans, names), strict=True))
    lines = [
        f"| taken out | scan | {' | '.join(f'{bar.title}, {bar.unit}'.rstrip(', ') for bar in COLUMNS)} |",
        f"|---|---|{'---:|' * len(COLUMNS)}",
    ]
    for each in ablations:
        for scan in each.scans:
            cells = " | ".join(_cells(found[scan][each.name], found[scan][""]))
            lines.append(f"| {each.name} | {scan} | {cells} |")
    return "\n".join(lines)


def _run_scan(scan: str, names: Sequence[str]) -> dict[str, Worst]:
    """Return the worst errors on one scan by ablation; under "" those with nothing taken out."""
    trial = _trial(scan)
    made = trial.make()
    found = {}
    for name in ("", *names):
        with ExitStack() as stack:
            for without in next((each.without for each in ABLATIONS if each.name == name), ()):
                stack.enter_context(without())
            judged = judge_scan(trial, *made)
        found[name] = {REFUSED: 1.0} if judged.refused else dict(_worst(judged.errors))
        print(f"{scan}: {name or 'nothing taken out'}", file=sys.stderr, flush=True)
    return found


def _trial(scan: str) -> HardTrial:
    """A hard subject by its name, or a clean one by its letter."""
    clean = next((trial for trial in TRIALS if trial.name == scan), None)
    if clean is not None:
        return HardTrial("clean", clean.name, lambda: make_scan(clean))
    return next(trial for trial in hard_trials() if trial.name == scan)


def _worst(errors: Sequence[Error]) -> Iterator[tuple[str, float]]:
    for bar in COLUMNS:
        values = [error.value for error in errors if error.quantity == bar.quantity]
        if values:
            yield bar.quantity, min(values) if bar.higher_is_better else max(values)


def _cells(without: Worst, with_all: Worst) -> Iterator[str]:
    for bar in COLUMNS:
        digits = 3 if bar.quantity == "dice" else 2
        own, other = (
            REFUSED if REFUSED in each else f"{each[bar.quantity]:.{digits}f}" if bar.quantity in each else "-"
            for each in (without, with_all)
        )
        yield f"{own} ({other})"


if __name__ == "__main__":
    sys.exit(main())
