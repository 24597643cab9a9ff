"""How far what was found in a real picture may be used."""

from __future__ import annotations

from enum import StrEnum


class Verdict(StrEnum):
    """The end of a measurement in a picture."""

    CONVERGED = "converged"
    """Found, and nothing speaks against it; its deviations say how well."""
    DOUBTFUL = "doubtful"
    """Found, but something speaks against it, which is said: look before it is used."""
    FAILED = "failed"
    """Not found: no number is given."""
