"""What is said of old cups held against those that were put in, on synthetic replaced hips.

    python -m tests.validation.revision [--page docs/validation-decisions.md]

Asked: orientation within 1 degree, centre within 1 mm, the way from the metal to the inner surface and the bone behind
it within 0.7 mm of the truth. The truth of a wall is measured with the cup that was put in, on the surfaces the scan
was made from.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cotyle.case.anatomy_stages import complete_anatomy, find_bones
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.revision import RevisionFacts, revision_of
from cotyle.case.plan_file import PlanFile
from cotyle.case.stages import hip_of, plan_on
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.wall import Wall, measure_wall
from cotyle.image.labels import hip_bone
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cotyle_sample.truth import Truth

from tests.validation.hard import HardTrial, hard_trials
from tests.validation.page_parts import write_part
from tests.validation.theatre.patients import series_info

BARS = {"orientation, deg": 1.0, "centre, mm": 1.0, "metal to inner surface, mm": 0.7, "bone behind, mm": 0.7}
VARIANTS = ("well-fixed cup", "loose cup")


@dataclass(frozen=True)
class Judged:
    """Errors of one old cup by the names of the bars, how many deviations the walls err by, and what it looks like."""

    name: str
    errors: dict[str, float]
    wall_over_sd: float
    looks_loose: bool
    is_loose: bool


def judged(trial: HardTrial) -> Iterator[Judged]:
    """Plan on a hard scan, hip by hip, and judge what is said of each old cup."""
    scan, truth = trial.make()
    for side, true in truth.metal_cups.items():
        found = find_bones(scan, series_info(trial.name, scan), side)
        hip = hip_of(complete_anatomy(found.skeleton, {}), scan, side)
        planned = plan_on(hip, PlanFile(side=side))
        facts = revision_of(planned, hip, Questions(), 0)
        wall = true_wall(truth, side, planned.pelvis.supine)
        angle = np.degrees(np.arccos(np.clip(np.dot(facts.cup.opening_axis_lps, true.opening_axis), -1.0, 1.0)))
        errors = {
            "orientation, deg": float(angle),
            "centre, mm": float(np.linalg.norm(facts.cup.center_lps_mm - true.sphere.center_lps_mm)),
            "metal to inner surface, mm": abs(facts.behind.to_inner_surface_mm - wall.advance_mm),
            "bone behind, mm": abs(facts.behind.along_axis_mm - wall.along_axis_mm),
        }
        yield Judged(
            f"{trial.name} {side}",
            errors,
            errors["bone behind, mm"] / facts.behind.along_axis_sd_mm,
            _looks_loose(facts),
            true.loose,
        )


def true_wall(truth: Truth, side: Side, frame: Frame) -> Wall:
    """Measure the wall behind the cup that was put in, on the surfaces that the scan was made from."""
    cup, bone = truth.metal_cups[side], truth.surfaces[hip_bone(side)]
    inner = inner_surface(bone, truth.sockets[side].center_lps_mm, -side.lateral_sign * frame.left, frame.superior)
    floor = step_along(cup.sphere.diameter_mm, cup.sphere.center_lps_mm, -cup.opening_axis)
    return measure_wall(bone, inner, Cavity((floor,)))


def _looks_loose(facts: RevisionFacts) -> bool:
    return any(doubt.code == "revision-loose" for doubt in facts.doubts)


def _cell(name: str, value: float) -> str:
    return f"{value:.2f}" if value <= BARS[name] else f"{value:.2f} **missed**"


def page(results: list[Judged]) -> str:
    """Return the part of the page."""
    head = " | ".join(BARS)
    rows = "\n".join(
        f"| {each.name} | "
        + " | ".join(
            f"{value:.2f}{'' if value <= BARS[name] else ' **missed**'}" for name, value in each.errors.items()
        )
        + f" | {each.wall_over_sd:.1f} | {'loose' if each.looks_loose else 'fixed'} "
        f"({'loose' if each.is_loose else 'fixed'}) |"
        for each in results
    )
    return f"""## Revision

Made by `python -m tests.validation.revision`: synthetic scans with metal and its streaks. Bars: 1 deg, 1, 0.7, 0.7 mm.

| hip | {head} | bone behind, error over 1 SD | looks (is) |
|---|{"---|" * (len(BARS) + 2)}
{rows}
"""


def main() -> int:
    """Return the exit code: 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--page", type=Path)
    options = parser.parse_args()
    results: list[Judged] = []
    for trial in hard_trials():
        if trial.variant in VARIANTS:
            for each in judged(trial):
                print(each, flush=True)
                results.append(each)
    part = page(results)
    print(part)
    if options.page is not None:
        write_part(options.page, "Validation of decisions", "revision", part)
    return int(any(value > BARS[name] for each in results for name, value in each.errors.items()))


if __name__ == "__main__":
    raise SystemExit(main())
