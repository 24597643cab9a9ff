"""Decisions by hand on the plan of a session, as the panel has them worked out or finds them in a case."""

from cotyle.case.decision.decided import Decided
from cotyle.cup.options.choice import Favours
from cotyle_platform.web.panels.deciding import Worked, told

from tests.case.decision.option_stand_ins import cup, option, option_facts, tolerance_facts


def decided_on(plan, before_seat_mm=3.0):
    """Return two options beside a plan, one of which beats it in all, and a tolerance."""
    x, y, z = plan.cup.center_lps_mm
    size = plan.cup.outer_diameter_mm
    facts = option_facts(
        option(Favours.COVER, center=(x, y, z + 2.0), size=size + 2.0, angles=(43.0, 19.0), cover=0.9),
        option(Favours.BONE, center=(x, y, z - 1.0), size=size, angles=(41.0, 16.0), removed_ml=2.0, cover=0.5),
        plan=cup(center=(x, y, z), size=size),
        better=(0,),
        side=plan.side,
    )
    return Decided(plan, {"options": facts, "tolerance": tolerance_facts(before_seat_mm)})


def worked_on(plan) -> Worked:
    """Return them as they are told."""
    return told(decided_on(plan), in_case=False)
