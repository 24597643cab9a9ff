"""One faulty series of the table, and how it must end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.reliability.faulty_series import Slices, Writer

RIGHT = "right"


@dataclass(frozen=True)
class Defect:
    """One series.

    Parameters
    ----------
    name:
        What is wrong with it.
    make:
        Returns its slices, or a function that writes them into a folder.
    plain, repaired:
        How it ends without and with ``--repair``: ``right``, or the code it is refused with.
    says:
        A pattern that the refusal, or the note, holds: where, how much.
    notes:
        Codes that go with a right result.
    series:
        Which one is chosen, where there are several.
    """

    name: str
    make: Callable[[], Slices | Writer]
    plain: str = RIGHT
    repaired: str = RIGHT
    says: str = ""
    notes: tuple[str, ...] = ()
    series: int | None = None
