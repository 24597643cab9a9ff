"""The page on options, from its file alone."""

from __future__ import annotations

from collections.abc import Callable

from cotyle.case.decision.options import CupOption, NamedOption, OptionsFacts
from cotyle.cup.options.choice import Favours
from cotyle.cup.options.trials import Bound
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus

NAMES = {
    Favours.BALANCE: "balanced",
    Favours.COVER: "most cover",
    Favours.COVER_ABOVE: "most cover above",
    Favours.WALL: "keeps most wall",
    Favours.RIM_WALLS: "keeps front and back wall",
    Favours.CENTER: "centre restored",
    Favours.BONE: "least bone taken",
    Favours.SAME_HEIGHT: "height restored, set deeper",
    Favours.HIGH_CENTER: "high centre",
}
LIMIT_WORDS = {
    Bound.LEAST_WALL: "least wall",
    Bound.LARGEST_RISE: "largest rise",
    Bound.LEAST_COVER: "least cover",
    Bound.LARGEST_SIZE: "largest size",
}
_DIFFERENCES: tuple[tuple[str, str, float, float, Callable[[CupOption], float]], ...] = (
    ("{:.0f} points more cover", "{:.0f} points less cover", 100.0, 1.0, lambda c: c.figures.cover),
    ("{:.1f} mm more wall", "{:.1f} mm less wall", 1.0, 0.5, lambda c: c.figures.wall_least_mm),
    ("{:.1f} mm more front or back wall", "{:.1f} mm less front or back wall", 1.0, 0.5, lambda c: thinner(c)),
    ("centre {:.1f} mm nearer", "centre {:.1f} mm farther off", -1.0, 0.5, lambda c: c.figures.center_away_mm),
    ("{:.1f} ml less bone taken", "{:.1f} ml more bone taken", -1.0, 0.5, lambda c: c.figures.removed_ml),
)
_ENOUGH_WITHIN_MM = 0.5
_MOST_WALL = "Most wall"
LEG_MM = 2.0
"""A change of the leg's length that is said beside gain and price; femur unchanged."""
_SMALL_HEAD_MM = 28.0
_HIGH_CENTER_COSTS = (
    (
        "20 hips with a high centre against 20 at the anatomic one (Crowe III and IV, five years): load along the leg "
        "8.9 against 8.2 N/kg, extension 7 deg less",
        "Karaismailoglu et al., J Arthroplasty 2019;34:1267",
    ),
    (
        "moved up and out the load on the hip rises; moved up alone it did not rise measurably: a high centre must not "
        "be a lateral one",
        "Doehring et al., J Arthroplasty 1996;11:693",
    ),
    (
        "cups whose centre lay more than 15 mm above the anatomic one loosened more often",
        "Pagnano et al., J Bone Joint Surg Am 1996;78:1004, from memory",
    ),
    ("the leg is shorter by as much as its centre is higher, femur unchanged", "geometry"),
    (
        "85 hips with Crowe II and III and a cementless cup 22 mm or more above the teardrops did well over 9 years; "
        "the higher ones also lay more lateral",
        "Shen et al., Orthop Surg 2020;12:1245",
    ),
)


def letter(number: int) -> str:
    """Return the letter of an option, by which table and pictures name it."""
    return "ABCDEFGHIJKL"[number]


def thinner(cup: CupOption) -> float:
    """The thinner of front and back wall, mm."""
    return min(cup.figures.front_wall_mm, cup.figures.back_wall_mm)


def words_of(option: NamedOption, facts: OptionsFacts) -> str:
    """What an option favours, in words; walls count only up to what is enough."""
    enough = option.figures.wall_least_mm > facts.limits.enough_wall_mm - _ENOUGH_WITHIN_MM
    names = {**NAMES, Favours.WALL: "keeps enough wall"} if enough else NAMES
    return ", ".join(names[each] for each in option.favours)


def options_page(facts: OptionsFacts) -> PartPage:
    """Return the page on options."""
    if not facts.options:
        return _page_without(facts)
    return PartPage(
        lead=_lead(facts),
        tiles=_tiles(facts),
        body=(
            _prices(facts),
            Shown(
                "price",
                "Price against gain. Each letter is an option, P the plan; further right is deeper, higher up is "
                "better covered, the colour is the least wall left (mm, scale on the right). Lines: the most cover "
                "that can be had at each depth, with the height of the centre restored (within 2 mm) and with it free. "
                "Dotted: least cover.",
                "every mark and point is measured as the plan is; limits as in the table below.",
                width="most",
            ),
            _table(facts),
            *_latitude(facts),
            Shown(
                "profile",
                "What each option is good and bad at: for each aim the letters from the worst (left) to the best "
                "(right) of this set. In each row the ends are given as numbers.",
                "scales differ from row to row; in the choice itself walls count only up to the limit in the table.",
                width="half",
            ),
            Shown(
                "cups",
                "Where the cups lie: the hip bone cut in the frontal plane through the centre to restore (cross), from "
                "in front. Solid: the half that lies in bone; dots: centres. P, dashed: the plan.",
                "cups that lie in front of or behind this plane are drawn as if they lay in it.",
                width="half",
            ),
            *_high_center(facts),
            _limits(facts),
        ),
    )


def _page_without(facts: OptionsFacts) -> PartPage:
    """The page where the limits leave no cup: what binds stands among the doubts."""
    return PartPage(
        lead=f"No cup keeps the usual limits, so that none is proposed here. {_plan_against(facts)}",
        advice=(
            "Say which limit may be broken, and by how much (cotyle decide --given FILE with, for example, "
            '{"options": {"least_wall_mm": 2, "least_cover": 0.5}}), or plan for a graft, an augment or cement, which '
            "are not reckoned with here.",
        ),
        body=(_table(facts), _limits(facts)),
    )


def _plan_against(facts: OptionsFacts) -> str:
    """Say which of the limits the plan itself does not keep."""
    limits, figures = facts.limits, facts.plan.figures
    broken = [
        words
        for words, is_broken in (
            (f"the least wall ({figures.wall_least_mm:.1f} mm)", figures.wall_least_mm < limits.least_wall_mm),
            (f"the largest rise ({figures.rise_mm:.1f} mm)", figures.rise_mm > limits.largest_rise_mm),
            (f"the least cover ({100 * figures.cover:.0f} %)", figures.cover < limits.least_cover),
        )
        if is_broken
    ]
    if not broken:
        return "The plan keeps wall, rise and cover, but not the sizes or angles that were looked among."
    return f"The plan stands as it was measured; it does not keep {_listed(broken)} either."


def _lead(facts: OptionsFacts) -> str:
    count = sum(not each.beaten for each in facts.options)
    cups = "1 cup that no other beats" if count == 1 else f"{count} cups, none of which another beats"
    goal = "this hip's own centre" if facts.goal.restores == "native" else "the mirrored centre of the other hip"
    start = " The options start from the bone behind the old cup." if facts.bed is not None else ""
    better = [letter(n) for n in facts.better_than_plan]
    if better:
        plan = (
            f"{_listed(better)} {'is' if len(better) == 1 else 'are'} nowhere worse than the plan and somewhere better"
        )
    else:
        plan = "each is in something worse than the plan"
    return (
        f"{cups} in everything; {plan}. Which price is worth paying is the surgeon's to decide. Centre to restore: "
        f"{goal} ({facts.goal.why}).{start}"
    )


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _tiles(facts: OptionsFacts) -> tuple[Tile, ...]:
    aims: tuple[tuple[str, str, str, Callable[[CupOption], float], float], ...] = (
        ("Most cover", "%", "share of the shell in bone", lambda c: 100 * c.figures.cover, 1.0),
        (_MOST_WALL, "mm", "least distance to the inner surface", lambda c: c.figures.wall_least_mm, 1.0),
        ("Nearest centre", "mm", "from the one to restore", lambda c: c.figures.center_away_mm, -1.0),
        ("Least bone taken", "ml", "by all reamers", lambda c: c.figures.removed_ml, -1.0),
    )
    tiles = []
    for name, unit, note, value, sign in aims:
        best = max(range(len(facts.options)), key=lambda n: sign * value(facts.options[n]))
        number = value(facts.options[best])
        text = f"{number:.0f}" if unit == "%" else f"{number:.1f}"
        planned = value(facts.plan)
        plan = f"{planned:.0f}" if unit == "%" else f"{planned:.1f}"
        sd = facts.options[best].wall_least_sd_mm if name == _MOST_WALL else None
        spread = "" if sd is None else f"{2 * sd:.1f}"
        tiles.append(Tile(name, text, unit, spread, f"{note}: option {letter(best)}; as planned {plan}"))
    return tuple(tiles)


def _table(facts: OptionsFacts) -> Table:
    rows = [_row(letter(n), words_of(each, facts), each) for n, each in enumerate(facts.options)]
    rows.append(_row("P", "as planned", facts.plan))
    definition, frame = facts.limits.definition, facts.limits.frame
    return Table(
        (
            "option",
            "size / head, mm",
            "medial / up / front, mm",
            "incl. / antev., deg",
            "cover: all / above, %",
            "wall: axis / least, mm",
            "front / back wall, mm",
            "centre off, mm",
            "bone taken, ml",
        ),
        tuple(rows),
        f"Head: the largest usual one in that cup{_small_heads(facts)}. Medial, up, front: shift of the centre from "
        f"the native one, supine frame. Angles {definition}, {frame} frame. Cover: of the shell, and of its upper "
        f"quarter. Centre off: from the one to restore. Every number measured as the plan's own{_spreads(facts)}.",
        chosen=frozenset({len(rows) - 1}),
    )


def _small_heads(facts: OptionsFacts) -> str:
    small = min(each.head_diameter_mm for each in (*facts.options, facts.plan)) < _SMALL_HEAD_MM
    return "; a small one dislocates sooner (common practice, no source)" if small else ""


def _spreads(facts: OptionsFacts) -> str:
    """Say how well these numbers are known, ± two standard deviations; empty where a file does not hold it."""
    cups = (*facts.options, facts.plan)
    told = []
    for words, values in (
        ("wall on the axis", [each.wall_along_axis_sd_mm for each in cups]),
        ("least wall", [each.wall_least_sd_mm for each in cups]),
    ):
        known = [2 * each for each in values if each is not None]
        if known:
            low, high = f"{min(known):.1f}", f"{max(known):.1f}"
            told.append(f"{words} ± {low}" + (f" to {high}" if high != low else "") + " mm")
    if facts.plan.cover_sd is not None:
        told.append(f"cover as planned ± {200 * facts.plan.cover_sd:.0f} points")
    if facts.goal.center_sd_mm is not None:
        told.append(f"native centre ± {2 * facts.goal.center_sd_mm:.1f} mm along each axis")
    return "; " + ", ".join(told) if told else ""


def _row(mark: str, words: str, cup: CupOption) -> tuple[str, ...]:
    f = cup.figures
    beaten = "; beaten in all, shown to compare" if isinstance(cup, NamedOption) and cup.beaten else ""
    reaches = cup.reaches if isinstance(cup, NamedOption) else ()
    bound = f"; reaches the {' and the '.join(LIMIT_WORDS[each] for each in reaches)}" if reaches else ""
    return (
        f"{mark}: {words}{beaten}{bound}",
        f"{cup.outer_diameter_mm:.0f} / {cup.head_diameter_mm:.0f}",
        minus(" / ".join(_tenths(each) for each in (cup.medial_mm, cup.superior_mm, cup.anterior_mm))),
        minus(f"{cup.angles.inclination_deg:.0f} / {cup.angles.anteversion_deg:.0f}"),
        f"{100 * f.cover:.0f} / {100 * f.cover_above:.0f}",
        "through" if cup.breached else f"{f.wall_along_axis_mm:.1f} / {f.wall_least_mm:.1f}",
        f"{f.front_wall_mm:.1f} / {f.back_wall_mm:.1f}",
        f"{f.center_away_mm:.1f}",
        f"{f.removed_ml:.1f}",
    )


def _tenths(value: float) -> str:
    """A number to a tenth, nothing without a sign."""
    return f"{round(value, 1) + 0.0:.1f}"


def _latitude(facts: OptionsFacts) -> tuple[Table, ...]:
    """How far each option may be moved; nothing where a file does not hold it."""
    rows = []
    for n, option in enumerate(facts.options):
        far, near = option.may_lie, option.may_lie_in_all
        if far is None or near is None:
            continue
        cells = [
            minus(stretch_words(own) if own == all_kept else f"{stretch_words(own)} ({stretch_words(all_kept)})")
            for own, all_kept in (
                (far.medial_mm, near.medial_mm),
                (far.superior_mm, near.superior_mm),
                (far.anterior_mm, near.anterior_mm),
                (far.inclination_deg, near.inclination_deg),
                (far.anteversion_deg, near.anteversion_deg),
            )
        ]
        rows.append((f"{letter(n)}: {words_of(option, facts)}", *cells))
    caption = (
        "Each number alone, all others held: from where to where the cup may lie, within the limits, and be as good in "
        "what it favours; in brackets: and in everything else (cover within 1 point, above within 2, walls and centre "
        "within 0.5 mm, bone within 0.5 ml). By estimates, in steps of half a mm or degree."
    )
    titles = (
        "may lie, one number at a time",
        "medial, mm",
        "up, mm",
        "front, mm",
        "inclination, deg",
        "anteversion, deg",
    )
    return (Table(titles, tuple(rows), caption),) if rows else ()


def stretch_words(ends: tuple[float, float]) -> str:
    """From where to where, to a tenth; one number where both ends are one."""
    low, high = (_tenths(each) for each in ends)
    return low if low == high else f"{low} to {high}"


def _limits(facts: OptionsFacts) -> Table:
    limits, pins = facts.limits, facts.pins
    left, right = limits.inclination_deg
    low, high = limits.anteversion_deg
    largest = "8 mm above the usual" if limits.largest_size_mm is None else f"{limits.largest_size_mm:.0f} mm"
    smallest = "2 mm below the usual" if limits.smallest_size_mm is None else f"{limits.smallest_size_mm:.0f} mm"
    pinned = ", ".join(minus(f"{name.rsplit('_', 1)[0].replace('_', ' ')} {value:g}") for name, value in pins.items())
    rows = (
        ("least wall", f"{limits.least_wall_mm:g} mm"),
        ("largest rise of the centre", f"{limits.largest_rise_mm:g} mm above the one to restore"),
        ("sizes", f"{smallest} to {largest}"),
        ("least cover", f"{100 * limits.least_cover:.0f} %"),
        ("wall counts up to", f"{limits.enough_wall_mm:g} mm"),
        (
            "target zone, inclination / anteversion",
            minus(f"{left:g} to {right:g} / {low:g} to {high:g} deg, less {limits.margin_deg:g} deg on each side"),
        ),
        ("pinned", pinned or "nothing"),
    )
    return Table(("limit", "value"), rows, "What no option may break; all can be set.", words=frozenset({1}))


def _prices(facts: OptionsFacts) -> Table:
    """What each option gains and what it costs against the plan."""
    rows = []
    for n, option in enumerate(facts.options):
        gained, paid = [], []
        for more_words, less_words, factor, worth, value in _DIFFERENCES:
            more = factor * (value(option) - value(facts.plan))
            if more >= worth:
                gained.append(more_words.format(more))
            elif more <= -worth:
                paid.append(less_words.format(-more))
        shorter = facts.plan.leg_length_change_mm - option.leg_length_change_mm
        if abs(shorter) >= LEG_MM:
            paid.append(f"leg {abs(shorter):.0f} mm {'shorter' if shorter > 0 else 'longer'}")
        rows.append(
            (f"{letter(n)}: {words_of(option, facts)}", *(", ".join(each) or "nothing" for each in (gained, paid)))
        )
    return Table(
        ("against the plan", "gains", "costs"),
        tuple(rows),
        "A difference is told from 1 point of cover, 0.5 mm, 0.5 ml and 2 mm of the leg on (femur unchanged). Wall: "
        "the least one; what lies above what is enough (table of limits) is told, but did not count in the choice.",
        words=frozenset({1, 2}),
    )


def _high_center(facts: OptionsFacts) -> tuple[Table, ...]:
    if not any(Favours.HIGH_CENTER in each.favours for each in facts.options):
        return ()
    return (Table(("what a high centre is known to cost", "source"), _HIGH_CENTER_COSTS, words=frozenset({1})),)
