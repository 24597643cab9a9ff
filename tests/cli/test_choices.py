from cotyle.case.plan_file import PlanFile, PostureChoice
from cotyle.cli.choices import Choices, changed_plan
from cotyle.space.side import Side

NOTHING = Choices(None, None, None, None, None, None, None, None, None)


def test_a_measured_change_on_standing_leaves_what_the_plan_says_of_sitting():
    base = PlanFile(side=Side.LEFT, posture=PostureChoice(seated_tilt_change_deg=-25.0))
    stands = Choices(None, None, None, None, None, None, None, -6.0, None)
    wanted = PostureChoice(standing_tilt_change_deg=-6.0, measured=True, seated_tilt_change_deg=-25.0)
    assert changed_plan(base, stands, None).posture == wanted
    assert changed_plan(base, NOTHING, None).posture == base.posture
