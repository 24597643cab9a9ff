"""The validation page: tables in Markdown, for the terminal and for the documentation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.validation.bars import Bar, Result
from tests.validation.morphology_check import Morphology
from tests.validation.trials import TRIALS, VOXEL_MM, Trial

HEAD = """# Validation on invented subjects

Written by `python -m tests.validation.validate`; don't edit it by hand.

Every subject is synthetic: drawn from the open shape model of the package `musculoskeletal-models` (26 CT scans),
given tissue, blur and noise, and laid turned into the gantry. The truth is the surface that the scan was made from,
never its voxels. What is measured on the scan is what `cotyle plan` measures: bones segmented from the HU values
alone, landmarks, pelvis, sockets, then cups. A *given cup* is planned on the true surface; the very same cup and
reaming steps are then measured on the true surface and on the one found in the scan, two cups for each hip: the
proposed one, and one a size larger that goes 3 mm deeper.

Landmarks and the pelvic frame are found by one rule, on the true surface and on the one found in the scan; that the
rule itself finds the right place is for the tests of `anatomy`. Below the table stands, without a bar, how far the
points lie from the vertices that the generator itself calls ASIS and pubic tubercle, by a rule of its own: along these
flat ridges two sound rules differ by millimetres. Sphere of the socket and labels are the generator's own.

What this can't show: how it does on real scans. The subjects come from the same shape model that the segmentation
starts from; the ones marked *off the model* were bent by a smooth change that no weights of that model can make.
Motion and real metal reconstruction are not in these tables.
"""


def error_table(results: Sequence[Result]) -> str:
    """Return the rows: quantity, count, median and worst against their bars, where the worst occurred."""
    lines = [
        "| quantity | n | median | bar | worst | bar | where | kept |",
        "|---|---:|---:|---:|---:|---:|---|---|",
    ]
    for result in results:
        bar = result.bar
        kept = "yes" if result.median_kept and result.worst_kept else "**no**"
        if not np.isfinite(bar.worst):
            kept = "no bar"
        lines.append(
            f"| {bar.title} | {result.count} | {_number(result.median, bar)} | {_number(bar.median, bar)} | "
            f"{_number(result.worst.value, bar)} | {_number(bar.worst, bar)} | {result.worst.where} | {kept} |"
        )
    return "\n".join(lines)


def trial_table(trials: Sequence[Trial]) -> str:
    """Return what each subject is."""
    lines = [
        "| subject | seed | tilt forward | turn left | left up | size (first mode) | off the model | bone density |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for trial in trials:
        posture = trial.posture
        size = f"{trial.size_sd:+.1f} SD" if trial.size_sd else "drawn"
        off = f"{trial.off_model_mm:.1f} mm rms" if trial.off_model_mm else "-"
        lines.append(
            f"| {trial.name} | {trial.seed} | {posture.anterior_tilt_deg:+.0f} deg | "
            f"{posture.rotation_to_left_deg:+.0f} deg | {posture.left_up_deg:+.0f} deg | {size} | {off} | "
            f"{trial.bone_density:.1f} |"
        )
    return "\n".join(lines)


def morphology_table(gathered: Sequence[Morphology]) -> str:
    """Return the invented hips beside published ranges."""
    lines = ["| measure | n | median | lowest | highest | published | inside |", "|---|---:|---:|---:|---:|---|---:|"]
    for one in gathered:
        values, published = np.array(one.values), one.published
        lines.append(
            f"| {published.title} | {len(values)} | {np.median(values):.1f} | {values.min():.1f} | "
            f"{values.max():.1f} | "
            f"{published.low:.0f} to {published.high:.0f}: {published.source} | {one.within} of {len(values)} |"
        )
    return "\n".join(lines)


@dataclass(frozen=True)
class PageParts:
    """What the page is made of.

    results, reported, gathered: of the clean subjects; hard: the section on hard subjects; ablations: table; missed:
    what was not kept, of all subjects; seconds and machine of the run, ablations left out.
    """

    results: Sequence[Result]
    reported: Sequence[Result]
    gathered: Sequence[Morphology]
    hard: str
    ablations: str
    missed: Sequence[str]
    seconds: float
    machine: str


def page(parts: PageParts) -> str:
    """Return the whole page."""
    verdict = "Every bar is kept." if not parts.missed else f"Not kept: {'; '.join(parts.missed)}."
    voxel = " x ".join(f"{v:g}" for v in VOXEL_MM)
    return f"""{HEAD}
## Result

{verdict}

Clean subjects:

{error_table(parts.results)}

Measured beside it, without a bar:

{error_table(parts.reported)}

"Where" names subject, side and what the worst error belongs to. Wall and volume errors also state the true size.

## Subjects

Voxels of {voxel} mm; noise of 22 HU; blur of a smooth to medium kernel. Angles are those of the pelvis in the gantry.

{trial_table(TRIALS)}

## Are the invented hips like real ones?

Measured on the true surfaces in the frame of the anterior pelvic plane.

{morphology_table(parts.gathered)}

What lies outside is a trait of the shape model and of the way its socket is reshaped for the scan, not of the
measurement: the same functions give the published values on closed-form shapes (see the tests of `anatomy`).

{parts.hard}
## What each part buys

One part of the method taken out at a time. Worst errors of a scan without it, in brackets with everything.

{parts.ablations}

Made in {parts.seconds:.0f} s on {parts.machine}, ablations not counted.
"""


def _number(value: float, bar: Bar) -> str:
    if not np.isfinite(value):
        return "-"
    digits = 3 if bar.quantity == "dice" else 2
    text = f"{value:.0e}" if 0 < abs(value) < 1e-4 else f"{value:.{digits}f}"
    return f"{text} {bar.unit}".strip()
