"""The page on options says of each cup what it gains and what it costs, and what a high centre is known to cost."""

import pytest
from cotyle.case.decision.options import CurveFact, FigureFacts, GoalFact, LimitFacts, NamedOption, OptionsFacts
from cotyle.case.measurements import Angles
from cotyle.cup.options.choice import Favours
from cotyle.cup.options.trials import Bound
from cotyle.cup.orientation import Definition
from cotyle.report import ink
from cotyle.report.decision.options_figure import price_figure, profile_figure
from cotyle.report.decision.options_page import options_page
from cotyle.space.side import Side


def cup(cover, wall, bone, away, rise=0.0, medial=4.0, **more):
    figures = FigureFacts(
        cover=cover,
        cover_above=cover,
        cover_front=cover,
        cover_back=cover,
        wall_along_axis_mm=wall + 4.0,
        wall_least_mm=wall,
        front_wall_mm=9.0,
        back_wall_mm=8.0,
        removed_ml=bone,
        center_away_mm=away,
        rise_mm=rise,
    )
    return {
        "medial_mm": medial,
        "superior_mm": rise,
        "anterior_mm": -1.5,
        "center_lps_mm": (-88.0, 1.0, 20.0),
        "outer_diameter_mm": 52.0,
        "head_diameter_mm": 36.0,
        "angles": Angles(inclination_deg=40.0, anteversion_deg=17.5),
        "figures": figures,
        "uncovered_arc_deg": 100.0,
        "leg_length_change_mm": -rise,
        "breached": False,
    } | more


def named(favours, beaten=False, reaches=(), **fields):
    return NamedOption(favours=favours, beaten=beaten, reaches=reaches, **fields)


@pytest.fixture
def facts():
    curve = tuple(
        CurveFact(
            medial_mm=m, superior_mm=0.0, outer_diameter_mm=52.0, cover=0.6 + m / 50, wall_least_mm=8 - m, removed_ml=m
        )
        for m in (2.0, 4.0, 6.0)
    )
    return OptionsFacts(
        side=Side.RIGHT,
        goal=GoalFact(
            restores="opposite",
            why="this hip is dysplastic",
            center_lps_mm=(-86.0, 0.0, 18.0),
            medial_mm=2.0,
            superior_mm=-2.0,
            anterior_mm=0.0,
        ),
        limits=LimitFacts(
            least_wall_mm=2.0,
            largest_rise_mm=15.0,
            largest_size_mm=None,
            smallest_size_mm=44.0,
            least_cover=0.6,
            enough_wall_mm=5.0,
            inclination_deg=(30.0, 50.0),
            anteversion_deg=(7.5, 27.5),
            definition=Definition.RADIOGRAPHIC,
            frame="supine",
            margin_deg=5.0,
        ),
        pins={"outer_diameter_mm": 52.0},
        native_diameter_mm=50.0,
        bed=None,
        plan=cup(0.62, 6.0, 4.0, 5.0),
        options=(
            named((Favours.BALANCE, Favours.WALL), **cup(0.70, 5.5, 4.2, 3.0, medial=5.0)),
            named((Favours.COVER,), reaches=(Bound.LEAST_WALL,), **cup(0.88, 2.1, 11.0, 6.0, medial=8.0)),
            named((Favours.HIGH_CENTER,), beaten=True, **cup(0.80, 4.0, 12.0, 12.0, rise=11.0, medial=3.0)),
        ),
        missing=(),
        curves={Favours.SAME_HEIGHT: curve},
        better_than_plan=(),
        tried=1000,
    )


def table(page, title):
    return next(each for each in page.tables if each.titles[0] == title)


def test_gain_and_price_against_the_plan_are_said_in_numbers(facts):
    rows = table(options_page(facts), "against the plan").rows
    assert rows[1] == (
        "B: most cover",
        "26 points more cover",
        "3.9 mm less wall, centre 1.0 mm farther off, 7.0 ml more bone taken",
    )
    assert rows[2][2].endswith("leg 11 mm shorter")
    assert "leg" not in rows[0][2]


def test_the_table_names_limits_that_are_reached_and_cups_shown_only_to_compare(facts):
    rows = table(options_page(facts), "option").rows
    assert rows[0][0] == "A: balanced, keeps enough wall"
    assert rows[1][0].endswith("reaches the least wall")
    assert "beaten in all" in rows[2][0]
    assert rows[-1][0].startswith("P: as planned")
    assert rows[0][2] == "5.0 / 0.0 / \N{MINUS SIGN}1.5"


def test_the_lead_counts_only_cups_that_are_not_beaten_and_names_the_centre(facts):
    lead = options_page(facts).lead
    assert lead.startswith("2 cups")
    assert "mirrored centre of the other hip (this hip is dysplastic)" in lead


def test_the_lead_says_whether_any_cup_beats_the_plan(facts):
    assert "each is in something worse than the plan" in options_page(facts).lead
    better = facts.model_copy(update={"better_than_plan": (0, 1)})
    assert "A and B are nowhere worse than the plan and somewhere better" in options_page(better).lead


def test_walls_and_cover_are_said_with_how_well_they_are_known(facts):
    assert "±" not in table(options_page(facts), "option").caption
    options = tuple(
        each.model_copy(update={"wall_least_sd_mm": 0.2 + n / 10, "wall_along_axis_sd_mm": 0.3})
        for n, each in enumerate(facts.options)
    )
    known = facts.model_copy(update={"options": options, "plan": facts.plan.model_copy(update={"cover_sd": 0.02})})
    page = options_page(known)
    caption = table(page, "option").caption
    assert "least wall ± 0.4 to 0.8 mm" in caption
    assert "wall on the axis ± 0.6 mm" in caption
    assert "cover as planned ± 4 points" in caption
    assert next(tile for tile in page.tiles if tile.name == "Most wall").spread == "0.4"


def test_what_a_high_centre_costs_is_told_with_its_sources_only_where_one_is_shown(facts):
    title = "what a high centre is known to cost"
    assert any("J Arthroplasty" in source for _, source in table(options_page(facts), title).rows)
    without = facts.model_copy(update={"options": facts.options[:2]})
    assert title not in {each.titles[0] for each in options_page(without).tables}


def test_pins_stand_among_the_limits(facts):
    assert ("pinned", "outer diameter 52") in table(options_page(facts), "limit").rows


def test_a_page_without_options_shows_the_plan_and_the_limits_and_says_how_to_go_on(facts):
    limits = facts.limits.model_copy(update={"least_wall_mm": 7.0, "least_cover": 0.65})
    page = options_page(facts.model_copy(update={"options": (), "curves": {}, "limits": limits}))
    assert "No cup keeps the usual limits" in page.lead
    assert "it does not keep the least wall (6.0 mm) and the least cover (62 %) either" in page.lead
    assert not page.pictures
    assert [row[0] for row in table(page, "option").rows] == ["P: as planned"]
    assert ("least wall", "7 mm") in table(page, "limit").rows
    assert "--given" in page.advice[0]


def test_pictures_are_drawn_also_where_all_cups_are_alike(facts):
    alike = facts.model_copy(update={"options": facts.options[:1] * 3, "curves": {}})
    for figure in (price_figure, profile_figure):
        assert len(ink.png(figure(facts))) > 10_000
        assert len(ink.png(figure(alike))) > 5_000


def test_the_most_wall_is_called_enough_where_more_would_not_count(facts):
    thin = facts.options[0].figures.model_copy(update={"wall_least_mm": 3.0})
    options = (facts.options[0].model_copy(update={"figures": thin}), *facts.options[1:])
    page = options_page(facts.model_copy(update={"options": options}))
    assert table(page, "option").rows[0][0].endswith("keeps most wall")
