"""What was found about an image series, and whether it can be used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """How much a finding weighs."""

    NOTE = "note"  # said, recorded, no hindrance
    DOUBT = "doubt"  # reads, but its headers contradict themselves: to be looked at, and said with every result
    UNPLANNABLE = "unplannable"  # reads correctly, but a hip cannot be planned on it
    REPAIRABLE = "repairable"  # wrong millimetres unless repaired
    FATAL = "fatal"  # cannot be put right


@dataclass(frozen=True)
class Finding:
    """One thing found about a series.

    Parameters
    ----------
    code:
        Stable, lower-case, hyphenated name, such as ``series-gap``.
    text:
        What was found and where, with millimetres and degrees; no patient's identity.
    severity:
        How much it weighs.
    remedy:
        What the user can do; empty where nothing needs doing.
    numbers:
        The figures of the text by name, with units in the names.
    """

    code: str
    text: str
    severity: Severity
    remedy: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "code": self.code,
            "text": self.text,
            "severity": str(self.severity),
            "numbers": dict(self.numbers),
        }


@dataclass(frozen=True)
class SeriesVerdict:
    """All findings about one series."""

    findings: tuple[Finding, ...] = ()

    def of(self, *severities: Severity) -> tuple[Finding, ...]:
        """Return the findings of the given severities, in order."""
        return tuple(f for f in self.findings if f.severity in severities)

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of all findings, in order."""
        return tuple(f.code for f in self.findings)

    @property
    def usable(self) -> bool:
        """Whether the series reads into right millimetres as it is."""
        return not self.of(Severity.REPAIRABLE, Severity.FATAL)

    @property
    def repairable(self) -> bool:
        """Whether it does so at least after a repair."""
        return not self.of(Severity.FATAL)

    @property
    def plannable(self) -> bool:
        """Whether it is usable and large enough to plan a hip on (bones are looked for later)."""
        return self.usable and not self.of(Severity.UNPLANNABLE)

    @property
    def word(self) -> str:
        """One word for a table: ``good``, ``repairable``, ``unfit`` or ``unusable``."""
        if not self.repairable:
            return "unusable"
        if self.of(Severity.UNPLANNABLE):
            return "unfit"
        return "good" if self.usable else "repairable"

    def having(self, *findings: Finding) -> SeriesVerdict:
        """Return the verdict with more findings."""
        return SeriesVerdict(self.findings + findings)


def note(code: str, text: str, **numbers: float) -> Finding:
    """Return a finding that hinders nothing."""
    return Finding(code, text, Severity.NOTE, numbers=numbers)


def doubt(code: str, text: str, **numbers: float) -> Finding:
    """Return a finding that hinders nothing and must be looked at."""
    return Finding(code, text, Severity.DOUBT, numbers=numbers)


def repairable(code: str, text: str, **numbers: float) -> Finding:
    """Return a finding that ``--repair`` puts right."""
    return Finding(code, text, Severity.REPAIRABLE, "Add --repair, or export the series again", numbers)


def fatal(code: str, text: str, remedy: str, **numbers: float) -> Finding:
    """Return a finding that rules the series out."""
    return Finding(code, text, Severity.FATAL, remedy, numbers)


def unplannable(code: str, text: str, remedy: str, **numbers: float) -> Finding:
    """Return a finding that rules out planning, not reading."""
    return Finding(code, text, Severity.UNPLANNABLE, remedy, numbers)
