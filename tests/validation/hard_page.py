"""The part of the validation page on hard subjects: bars by variant, confidence, refusals, time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.validation.confidence import calibration, falsely_confident
from tests.validation.errors_of import Error, Stated
from tests.validation.hard import HARD_BARS, Judged, results_by_variant
from tests.validation.page import error_table

HEAD = """## Hips as they are

Worn, thin, displaced, cut off or full of metal: every variant has at least three subjects of different shape, size,
posture and side. The bars are the same for all. A variant's table holds both hips of each subject, the sound one too.
"""


def hard_section(judged: Sequence[Judged], clean: Sequence[Stated], clean_seconds: float) -> str:
    """Return the section; ``clean`` are the stated deviations of the clean subjects."""
    parts = [HEAD, *_variants(judged), _refusals(judged), _confidence(judged, clean), _time(judged, clean_seconds)]
    return "\n".join(part for part in parts if part)


def broken_bars(judged: Sequence[Judged]) -> list[str]:
    """Return variant and quantity of every bar that is not kept."""
    return [
        f"{variant}: {result.bar.title}"
        for variant, _, results in results_by_variant(judged)
        for result in results
        if not (result.median_kept and result.worst_kept)
    ]


def unwarned(judged: Sequence[Judged]) -> list[Error]:
    """Return every grave error that no finding names."""
    return [error for each in judged for error in falsely_confident(each.errors, each.findings, HARD_BARS)]


def _variants(judged: Sequence[Judged]) -> list[str]:
    parts = []
    for variant, own, results in results_by_variant(judged):
        if not results:
            continue
        planned = [each for each in own if each.refused is None]
        parts.append(f"### {variant.capitalize()}\n\n{len(planned)} subjects.\n\n{error_table(results)}\n")
        codes = sorted({finding.code for each in planned for finding in each.findings})
        parts.append(f"What was said: {', '.join(codes) or 'nothing'}.\n")
    return parts


def _refusals(judged: Sequence[Judged]) -> str:
    rows = [each for each in judged if each.refused or each.trial.refused]
    if not rows:
        return ""
    lines = ["### Refused", "", "| subject | variant | must be | was | sentence |", "|---|---|---|---|---|"]
    for each in rows:
        sentence = each.sentence.replace("|", "/")
        lines.append(
            f"| {each.trial.name} | {each.trial.variant} | {each.trial.refused or 'planned'} | "
            f"{each.refused or 'planned'} | {sentence} |"
        )
    return "\n".join(lines) + "\n"


def _confidence(judged: Sequence[Judged], clean: Sequence[Stated]) -> str:
    false = unwarned(judged)
    graves = ", ".join(f"{error.where}: {error.quantity} {error.value:.2f}" for error in false)
    text = f"Errors above twice the worst bar without a warning that names them: {graves or 'none'}.\n"
    lines = [
        "### Does it know how sure it is?",
        "",
        text,
        "Stated deviations against true errors, all subjects together (clean ones too); 95 % intervals, which should "
        "hold the truth in 90 to 99 % of cases:",
        "",
        "| quantity | n | held | median stated deviation | median error |",
        "|---|---:|---:|---:|---:|",
    ]
    stated = [*clean, *(one for each in judged for one in each.stated)]
    lines += [
        f"| {row.quantity.replace('_', ' ')} | {row.count} | {row.share:.1%} | {row.median_deviation:.2f} | "
        f"{row.median_error:.2f} |"
        for row in calibration(stated)
    ]
    return "\n".join(lines) + "\n"


def _time(judged: Sequence[Judged], clean_seconds: float) -> str:
    planned = [each for each in judged if each.refused is None]
    if not planned:
        return ""
    ratios = [each.seconds / clean_seconds for each in planned]
    slowest = planned[int(np.argmax(ratios))]
    return (
        "### Time\n\n"
        f"Bones, landmarks and sockets of a hard subject take {np.median(ratios):.2f} times as long as those of a "
        f"clean one (median), {max(ratios):.2f} times at most ({slowest.trial.name}); the clean ones take "
        f"{clean_seconds:.0f} s (median) in the same run.\n"
    )
