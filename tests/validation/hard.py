"""The hard subjects: every variant's scans judged as the pipeline would, refusals, time and confidence included."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from pkgutil import iter_modules

from cotyle.anatomy.bone_quality import judge_bones, require_pelvis, require_shown
from cotyle.anatomy.findings import Finding
from cotyle.anatomy.segmentation.bones import segment_bones
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.truth import Truth

from tests.validation import variants
from tests.validation.bars import Bar, Result
from tests.validation.errors_of import Error, Stated, errors_of_survey, survey_bones
from tests.validation.hard_trial import HardTrial
from tests.validation.metal_errors import metal_errors, metal_stated

HARD_BARS = (
    Bar("dice", "bone labels, Dice", "", 0.96, 0.93, higher_is_better=True),
    Bar("center", "hip centre of the socket", "mm", 1.0, 2.5),
    Bar("tilt", "app frame: tilt", "deg", 0.8, 2.0),
    Bar("rotation", "app frame: rotation", "deg", 0.4, 1.0),
    Bar("obliquity", "app frame: obliquity", "deg", 0.4, 1.0),
    Bar("wall_along_axis", "wall along the axis, given cup", "mm", 0.4, 1.2),
    Bar("metal_cup_center", "metal cup: centre", "mm", 1.0, 2.0),
    Bar("metal_cup_axis", "metal cup: orientation", "deg", 1.0, 2.5),
)


@dataclass(frozen=True, eq=False)
class Judged:
    """One hard subject: its errors, what was stated, what was said, the time, and the refusal where there was one."""

    trial: HardTrial
    errors: tuple[Error, ...]
    stated: tuple[Stated, ...]
    findings: tuple[Finding, ...]
    seconds: float
    refused: str | None = None
    sentence: str = ""

    @property
    def as_expected(self) -> bool:
        """Whether it was refused just when it must be, and for the reason named."""
        return self.refused == self.trial.refused


def hard_trials() -> list[HardTrial]:
    """Return the subjects of every module of ``variants``, in the order of their modules' names."""
    modules = [import_module(f"{variants.__name__}.{each.name}") for each in iter_modules(variants.__path__)]
    return [trial for module in modules for trial in module.TRIALS]


def judge(trial: HardTrial) -> Judged:
    """Scan one subject and judge what the pipeline makes of it."""
    return judge_scan(trial, *trial.make())


def judge_scan(trial: HardTrial, volume: Volume, truth: Truth) -> Judged:
    """Judge a scan that is at hand."""
    clock = time.monotonic()
    try:
        bones = segment_bones(volume)
        quality = judge_bones(bones)
        require_pelvis(quality)
        for side in _planned_sides(trial):
            require_shown(bones, side)
        found = survey_bones(bones, volume)
        for side in _planned_sides(trial):
            found.socket(side)
    except InputError as error:
        return Judged(trial, (), (), (), time.monotonic() - clock, error.code, str(error))
    seconds = time.monotonic() - clock

    measured = errors_of_survey(trial.name, volume, truth, bones, found)
    errors = (*measured.errors, *metal_errors(trial.name, bones, truth))
    stated = (*measured.stated, *metal_stated(trial.name, bones, truth))
    return Judged(trial, errors, stated, measured.findings, seconds)


def _planned_sides(trial: HardTrial) -> tuple[Side, ...]:
    return tuple(Side) if trial.affected is None else (trial.affected,)


def results_by_variant(judged: Sequence[Judged]) -> Iterator[tuple[str, list[Judged], list[Result]]]:
    """Return, for each variant, its subjects and the bars of the quantities that were measured on them."""
    for variant in dict.fromkeys(each.trial.variant for each in judged):
        own = [each for each in judged if each.trial.variant == variant]
        errors = [error for each in own for error in each.errors]
        measured = {error.quantity for error in errors}
        yield variant, own, [bar.result(errors) for bar in HARD_BARS if bar.quantity in measured]
