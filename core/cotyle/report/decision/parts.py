"""The parts of a decision; one line in :data:`PARTS` adds one.

They stand in the order of the report: what an old cup leaves comes first, where there is one, since all others rest on
it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from cotyle.case.decision.bone import BoneFacts, bone_of
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.motion import motion_of
from cotyle.case.decision.motion_facts import MotionFacts
from cotyle.case.decision.options import OptionsFacts, options_of
from cotyle.case.decision.posture import PostureFacts, posture_of
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.revision import RevisionFacts, revision_of, unfit_for_revision
from cotyle.case.decision.screws import ScrewFacts, screws_of
from cotyle.case.decision.tolerance import ToleranceFacts, tolerance_of
from cotyle.case.stages import Hip, PlannedCup
from cotyle.errors import InputError
from cotyle.report.decision.bone_figure import bone_pictures
from cotyle.report.decision.bone_page import bone_page
from cotyle.report.decision.motion_figure import motion_pictures
from cotyle.report.decision.motion_page import motion_page
from cotyle.report.decision.options_figure import options_pictures
from cotyle.report.decision.options_page import options_page
from cotyle.report.decision.part_page import PartPage
from cotyle.report.decision.posture_figure import posture_pictures
from cotyle.report.decision.posture_page import posture_page
from cotyle.report.decision.revision_figure import revision_pictures
from cotyle.report.decision.revision_page import revision_page
from cotyle.report.decision.screw_figure import screw_pictures
from cotyle.report.decision.screw_page import screw_page
from cotyle.report.decision.tolerance_figure import tolerance_pictures
from cotyle.report.decision.tolerance_page import tolerance_page

Pictures = Mapping[str, bytes]


def _always(planned: PlannedCup) -> str:
    del planned
    return ""


@dataclass(frozen=True)
class Part:
    """One part: how it is worked out, drawn and told.

    name: of its file and of ``--only``. title: of its heading. words: said while it is worked out. facts: model of its
    file. work_out: pure; planned cup, its hip, questions and seed in, facts out. draw: PNG by short name. tell: its
    page, from the file alone. unfit: why it does not apply to a case; empty where it does.
    """

    name: str
    title: str
    words: str
    facts: type[DecisionFacts]
    work_out: Callable[[PlannedCup, Hip, Questions, int], DecisionFacts]
    draw: Callable[[Any, PlannedCup, Hip], Pictures]
    tell: Callable[[Any], PartPage]
    unfit: Callable[[PlannedCup], str] = _always


PARTS: tuple[Part, ...] = (
    Part(
        "revision",
        "Revision",
        "looking behind the old cup",
        RevisionFacts,
        revision_of,
        revision_pictures,
        revision_page,
        unfit_for_revision,
    ),
    Part("options", "Options", "weighing cups", OptionsFacts, options_of, options_pictures, options_page),
    Part("posture", "Posture", "turning the pelvis", PostureFacts, posture_of, posture_pictures, posture_page),
    Part("motion", "Motion", "moving the thigh", MotionFacts, motion_of, motion_pictures, motion_page),
    Part(
        "tolerance",
        "Tolerance",
        "repeating the operation with errors",
        ToleranceFacts,
        tolerance_of,
        tolerance_pictures,
        tolerance_page,
    ),
    Part("screws", "Screws", "looking for bone behind the shell", ScrewFacts, screws_of, screw_pictures, screw_page),
    Part("bone", "Bone quality", "reading the density of the bone", BoneFacts, bone_of, bone_pictures, bone_page),
)


def figure_name(part: Part, short: str) -> str:
    """Return the name under which a picture of a part stands in the case."""
    return f"decision-{part.name}-{short}"


def chosen_parts(only: Iterable[str]) -> tuple[Part, ...]:
    """Return the parts of these names in their order, several in one text by commas; all where nothing is said.

    Raises
    ------
    InputError
        ``part-unknown``, also for an empty name.
    """
    wanted = {name.strip() for each in only for name in each.split(",")}
    known = {part.name: part for part in PARTS}
    unknown = sorted(wanted - set(known))
    if unknown:
        raise InputError("part-unknown", f"there is no part {unknown[0]!r}", f"Choose of {', '.join(known)}")
    return tuple(part for part in PARTS if not wanted or part.name in wanted)


def require_fit(parts: Iterable[Part], planned: PlannedCup) -> None:
    """Raise InputError ``part-unfit`` for the first part that does not apply to a case."""
    for part in parts:
        reason = part.unfit(planned)
        if reason:
            raise InputError("part-unfit", f"{part.name}: {reason}", "Leave this part out")
