"""What each prior and each filter buys: the same scans with one of them taken out at a time.

python -m tests.validation.ablations [--names "free surface,blur taken back"]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import numpy as np
from cotyle.anatomy import bone_shapes, bones, joints, pelvis_fit, replaced_hips, socket_fits
from cotyle.anatomy.edge_profiles import Edges
from cotyle.anatomy.socket_sphere import SocketSphere
from cotyle.anatomy.socket_ways import SocketWay
from cotyle.anatomy.surface_fit import Limit
from cotyle.cup import wall
from cotyle.cup.wall_gaps import WallGaps
from cotyle.space.arrays import Array
from cotyle.space.side import Side

from tests.validation.bars import Bar
from tests.validation.hard import HARD_BARS, Judged, hard_trials, judge_scan
from tests.validation.hard_trial import HardTrial
from tests.validation.trials import TRIALS, make_scan

Without = Callable[[], AbstractContextManager[Any]]


@dataclass(frozen=True)
class Ablation:
    """One part taken out: its name in the table, how, and the variants whose first subject shows what it buys."""

    name: str
    without: tuple[Without, ...]
    variants: tuple[str, ...] = ("clean",)


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
    Ablation(
        "nothing",
        (),
        (
            "clean",
            "worn joint",
            "osteopenic",
            "well-fixed cup",
            "loose cup",
            "cemented cup",
            "dysplasia",
            "head displaced 10-30 mm",
        ),
    ),
    Ablation("free surface of the pelvis", (_replaced(bone_shapes, "follow_pelvis", _fitted_model),)),
    Ablation("head seen from within", (_replaced(joints, "find_head", lambda *_: None),), ("clean", "worn joint")),
    Ablation(
        "seam of a narrow joint",
        (_replaced(bone_shapes, "find_seams", lambda *_, **__: {}),),
        ("worn joint", "protrusio"),
    ),
    Ablation(
        "socket pushed out of the head",
        (_replaced(bone_shapes, "cleared_by_heads", lambda pelvis, *_: pelvis),),
        ("protrusio",),
    ),
    Ablation("gaps in the wall", (_replaced(wall, "find_gaps", lambda *_: WallGaps()),), ("worn joint",)),
    Ablation("heads bar the pelvis", (_replaced(bone_shapes, "clear_of_heads", _no_limit),), ("clean", "worn joint")),
    Ablation(
        "pelvis bars the femora", (_replaced(bone_shapes, "clear_of_surface", _no_limit),), ("worn joint", "osteopenic")
    ),
    Ablation(
        "blur taken back",
        (
            _replaced(bone_shapes, "settle_surface", _same_surface),
            _replaced(bone_shapes, "settle_femur", lambda _volume, _model, femur, *_: femur),
        ),
        ("clean", "osteopenic"),
    ),
    Ablation("shape modes", (_replaced(pelvis_fit, "MODES", 1),)),
    Ablation(
        "surface drawn to the bone seen behind cups",
        (_replaced(bone_shapes, "guide_of", lambda _: None),),
        ("well-fixed cup", "loose cup", "cemented cup"),
    ),
    Ablation(
        "socket as the bone seen behind cups", (_replaced(replaced_hips, "bed_of", lambda *_: None),), ("loose cup",)
    ),
    Ablation("necks cut", (_replaced(bones, "find_neck_cuts", lambda *_: {}),), ("well-fixed cup",)),
    Ablation(
        "head looked for outside its socket",
        (_replaced(joints, "find_displaced_head", lambda *_: None),),
        ("dysplasia", "head displaced 10-30 mm"),
    ),
    Ablation(
        "floor of an empty socket",
        (_replaced(joints, "find_empty_socket", lambda *_: []),),
        ("dysplasia", "head displaced 10-30 mm"),
    ),
    Ablation(
        "hollow of a displaced head set aside",
        (_replaced(socket_fits, "find_displaced", lambda *_: None),),
        ("dysplasia", "head displaced 10-30 mm"),
    ),
    Ablation(
        "ways to know a socket besides its surface",
        (_replaced(socket_fits, "gather_ways", _surface_alone),),
        ("clean", "dysplasia", "head displaced 10-30 mm"),
    ),
    Ablation("metal disbelieved", (_replaced(bones, "find_metal", lambda _: None),), ("well-fixed cup",)),
)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--names", default="", help="ablations to run, with commas between; all by default")
    wanted = [name.strip() for name in parser.parse_args(arguments).names.split(",") if name.strip()]
    print(ablation_table([each for each in ABLATIONS if not wanted or each.name in wanted]))
    return 0


def ablation_table(ablations: Sequence[Ablation]) -> str:
    """Run every ablation on the first subject of its variants and return the table, worst errors by quantity."""
    bars = [bar for bar in HARD_BARS if not bar.quantity.startswith("metal")]
    lines = [
        f"| taken out | scan | {' | '.join(f'{bar.title}, {bar.unit}'.rstrip(', ') for bar in bars)} |",
        f"|---|---|{'---:|' * len(bars)}",
    ]
    scans: dict[str, Any] = {}
    for ablation in ablations:
        for variant in ablation.variants:
            trial = _first(variant)
            if variant not in scans:
                scans[variant] = trial.make()
            with ExitStack() as stack:
                for without in ablation.without:
                    stack.enter_context(without())
                judged = judge_scan(trial, *scans[variant])
            cells = " | ".join(_worst(judged, bar) for bar in bars)
            lines.append(f"| {ablation.name} | {variant} | {cells} |")
            print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines)


def _first(variant: str) -> HardTrial:
    if variant == "clean":
        bent = next(trial for trial in TRIALS if trial.off_model_mm > 0)
        return HardTrial("clean", bent.name, lambda: make_scan(bent))
    return next(trial for trial in hard_trials() if trial.variant == variant)


def _worst(judged: Judged, bar: Bar) -> str:
    values = [error.value for error in judged.errors if error.quantity == bar.quantity]
    if not values:
        return judged.refused or "-"
    return f"{min(values) if bar.higher_is_better else max(values):.3f}"


if __name__ == "__main__":
    sys.exit(main())
