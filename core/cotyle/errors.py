"""What Cotyle raises when it cannot go on, and why."""

from __future__ import annotations


class CotyleError(Exception):
    """Base of every error that Cotyle raises on purpose."""


class InputError(CotyleError):
    """The input cannot be used.

    The command line prints it as one line and ends with exit code 2.

    Parameters
    ----------
    code:
        Stable, lower-case, hyphenated name of the fault, such as ``series-gap``; documented and safe to match on.
    what:
        What is wrong and where, in millimetres, degrees or names the user can find again.
    remedy:
        What the user can do about it; may be empty.
    """

    def __init__(self, code: str, what: str, remedy: str = "") -> None:
        self.code = code
        self.what = what.rstrip(".")
        self.remedy = remedy.rstrip(".")
        super().__init__(str(self))

    def __str__(self) -> str:
        remedy = f" {self.remedy}." if self.remedy else ""
        return f"{self.what}.{remedy} [{self.code}]"
