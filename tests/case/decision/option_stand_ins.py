"""Options and tolerance by hand, for what is told of them and done with them."""

from cotyle.case.decision.options import CupOption, FigureFacts, GoalFact, LimitFacts, NamedOption, OptionsFacts
from cotyle.case.decision.tolerance import ChanceFact, OutcomeFact, StopFact, ToleranceFacts
from cotyle.case.measurements import Angles
from cotyle.cup.options.choice import Favours
from cotyle.cup.orientation import Definition
from cotyle.cup.tolerance.causes import Cause, Spreads
from cotyle.space.side import Side

FIGURES = {
    "cover": 0.62,
    "cover_above": 0.64,
    "cover_front": 0.7,
    "cover_back": 0.7,
    "wall_along_axis_mm": 4.0,
    "wall_least_mm": 3.0,
    "front_wall_mm": 9.0,
    "back_wall_mm": 8.0,
    "removed_ml": 5.0,
    "center_away_mm": 4.0,
    "rise_mm": 0.0,
}


def cup(center=(-88.0, 1.0, 20.0), size=52.0, angles=(40.0, 17.5), breached=False, leg=0.0, **figures):
    """The fields of one cup."""
    return {
        "medial_mm": 4.0,
        "superior_mm": -leg,
        "anterior_mm": 0.0,
        "center_lps_mm": center,
        "outer_diameter_mm": size,
        "head_diameter_mm": 36.0,
        "angles": Angles(inclination_deg=angles[0], anteversion_deg=angles[1]),
        "figures": FigureFacts(**(FIGURES | figures)),
        "uncovered_arc_deg": 100.0,
        "leg_length_change_mm": leg,
        "breached": breached,
    }


def option(*favours, beaten=False, reaches=(), **fields):
    """An option that favours something."""
    return NamedOption(favours=favours or (Favours.COVER,), beaten=beaten, reaches=reaches, **cup(**fields))


def option_facts(*options, plan=None, better=(), side=Side.RIGHT):
    """Options against a plan, angles radiographic in the supine frame."""
    return OptionsFacts(
        side=side,
        goal=GoalFact(
            restores="native",
            why="this socket is taken as the guide",
            center_lps_mm=(-90.0, 0.0, 20.0),
            medial_mm=0.0,
            superior_mm=0.0,
            anterior_mm=0.0,
        ),
        limits=LimitFacts(
            least_wall_mm=2.0,
            largest_rise_mm=15.0,
            largest_size_mm=None,
            smallest_size_mm=None,
            least_cover=0.6,
            enough_wall_mm=5.0,
            inclination_deg=(30.0, 50.0),
            anteversion_deg=(7.5, 27.5),
            definition=Definition.RADIOGRAPHIC,
            frame="supine",
            margin_deg=5.0,
        ),
        pins={},
        native_diameter_mm=50.0,
        bed=None,
        plan=CupOption(**(plan or cup())),
        options=options,
        missing=(),
        curves={},
        better_than_plan=better,
        tried=1000,
    )


def tolerance_facts(before_seat_mm=3.0, shown=((40.0, 17.5, 3.0), (45.0, 20.0, 1.5), (36.0, 12.0, 4.0))):
    """A tolerance with a place to stop and where some procedures end."""
    outcome = OutcomeFact(
        planned=40.0, mean=40.0, sd=2.5, interval=(35.0, 45.0), shares=dict.fromkeys(Cause, 0.1), together=0.3
    )
    return ToleranceFacts(
        procedures=10000,
        spreads=vars(Spreads()),
        standing_assumed=False,
        outcomes={"inclination_deg": outcome},
        chances=ChanceFact(
            in_zone=0.95, standing_in_zone=0.9, breach=0.0, below_least_wall=0.01, least_wall_limit_mm=2.0
        ),
        stop=StopFact(before_seat_mm=before_seat_mm, at_seat=0.1, at_stop=0.02, after_picture=0.01, accepted=0.025),
        zone_inclination_deg=(30.0, 50.0),
        zone_anteversion_deg=(7.5, 27.5),
        zone_definition=Definition.RADIOGRAPHIC,
        zone_frame="supine",
        shown=shown,
    )
