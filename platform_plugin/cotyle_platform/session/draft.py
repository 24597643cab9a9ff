"""The draft in a case folder: the plan as it is being changed, so that a crash loses nothing that was not saved.

A saved case holds none: the folder is replaced whole. The draft is a plan file like plan.json, with the landmarks that
the user gave.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
from cotyle.anatomy.landmarks import Landmark, Landmarks, given
from cotyle.case.folder import require_case
from cotyle.case.one_writer import only_writer_of
from cotyle.case.plan_file import PlanFile
from cotyle.errors import InputError

from cotyle_platform.session.history import State

DRAFT = "draft.json"
WRITTEN_WITHIN_S = 120.0


def write_draft(folder: Path, state: State) -> None:
    """Write the draft whole or not at all; raises InputError where the case is gone or cannot be written to.

    While the case is being written, the draft waits and goes into the new one; in the end it is written all the same.
    """
    require_case(folder)
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(InputError):
            stack.enter_context(only_writer_of(folder, wait_s=WRITTEN_WITHIN_S))
        state.plan.write(folder / DRAFT)


def read_draft(folder: Path, saved: PlanFile) -> PlanFile | None:
    """Return the draft of a case, None if there is none that can be used or it says what was saved."""
    try:
        draft = PlanFile.read(folder / DRAFT)
    except InputError:
        return None
    same = draft.model_copy(update={"verdict": None}) == saved.model_copy(update={"verdict": None})
    return None if same or draft.side is not saved.side else draft


def remove_draft(folder: Path) -> None:
    """Remove the draft if there is one."""
    with contextlib.suppress(OSError):
        (folder / DRAFT).unlink(missing_ok=True)


def landmarks_of(draft: PlanFile) -> dict[str, Landmark]:
    """Return the landmarks that a draft says were given."""
    return {name: given(name, each.lps_mm, each.uncertainty_mm) for name, each in draft.given.landmarks.items()}


def same_points(points: Landmarks, others: Landmarks) -> bool:
    """Return whether two sets of landmarks hold the same points."""
    return set(points) == set(others) and all(
        np.array_equal(points[name].lps_mm, others[name].lps_mm)
        and points[name].uncertainty_mm == others[name].uncertainty_mm
        for name in points
    )
