"""Options and tolerance of a plan as a structured report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from pydicom.dataset import Dataset

from cotyle import CAUTION
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.options import OptionsFacts
from cotyle.case.decision.tolerance import ToleranceFacts
from cotyle.report.dicom import choice_codes as own
from cotyle.report.dicom import codes
from cotyle.report.dicom.choice_groups import option_groups, tolerance_groups
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.group import Group
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.structured_report import structured_report
from cotyle.report.dicom.study import Series
from cotyle.space.side import Side

WRITTEN = ("options", "tolerance")
"""Parts of a decision that are written; the others stand in the PDF."""


def choice_report(decisions: Mapping[str, DecisionFacts], side: Side, source: Source) -> Dataset:
    """Return the report of those parts of a decision that are written, for the hip of a side; one at least is there."""
    parts = [decisions[name] for name in WRITTEN if name in decisions]
    groups = [group for facts in parts for group in _groups(facts, side)]
    groups[0] = replace(groups[0], texts=((codes.COMMENT, CAUTION), *groups[0].texts))
    return structured_report(groups, _words(parts), source, Series.CHOICES, 1, codes.CT_IMAGING)


def _groups(facts: DecisionFacts, side: Side) -> Iterator[Group]:
    if isinstance(facts, OptionsFacts):
        yield from option_groups(facts)
    if isinstance(facts, ToleranceFacts):
        yield from tolerance_groups(facts, side)


def _words(parts: list[DecisionFacts]) -> Iterator[tuple[Code, Code | str]]:
    """Yield doubts first, then what is taken for granted."""
    yield codes.COMMENT, CAUTION
    for facts in parts:
        for doubt in facts.doubts:
            yield codes.WARNING, f"{doubt.text} [{doubt.code}]"
        if isinstance(facts, OptionsFacts):
            for wish in facts.missing:
                yield own.NOT_FULFILLED, own.FAVOURED[wish]
        for assumption in facts.assumptions:
            yield own.ASSUMPTION, assumption
