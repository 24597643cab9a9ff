"""The page on options, from its file alone."""

from __future__ import annotations

from collections.abc import Callable

from cotyle.case.decision.options import CupOption, NamedOption, OptionsFacts
from cotyle.cup.options.choice import HEIGHTS, Favours
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
_LIMITS = {
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
_LEG_MM = 2.0
"""A change of the leg's length that is said beside gain and price; femur unchanged."""
_HIGH_CENTER_COSTS = (
    "In 20 hips with a high centre against 20 at the anatomic one (Crowe III and IV, five years) the load along the "
    "leg was 8.9 against 8.2 N/kg, and the hip extended 7 deg less (Karaismailoglu et al., J Arthroplasty "
    "2019;34:1267).",
    "Moved up and out the load on the hip rises; moved up alone it did not rise measurably (Doehring et al., J "
    "Arthroplasty 1996;11:693): a high centre must not be a lateral one.",
    "Cups whose centre lay more than 15 mm above the anatomic one loosened more often (Pagnano et al., J Bone Joint "
    "Surg Am 1996;78:1004, from memory). A leg is shorter by as much as its centre is higher, femur unchanged.",
    "85 hips with Crowe II and III and a cementless cup 22 mm or more above the teardrops did well over 9 years; the "
    "higher ones also lay more lateral (Shen et al., Orthop Surg 2020;12:1245).",
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
        return PartPage(lead="No cup keeps the usual limits: say which may be broken.", tables=(_limits(facts),))
    shown = (
        Shown(
            "price",
            "Price against gain. Each letter is an option, P the plan; further right is deeper, higher up is better "
            "covered, the colour is the least wall left. Lines: the most cover that can be had at each depth, with the "
            "height of the centre restored (within 2 mm) and with it free. Dotted: least cover.",
            "every mark and point is measured as the plan is; limits as in the table below.",
        ),
        Shown(
            "profile",
            "What each option is good and bad at: for each aim the letters from the worst (left) to the best (right) "
            "of this set. In each row the ends are given as numbers.",
            "scales differ from row to row; in the choice itself walls count only up to the limit in the table.",
            wide=False,
        ),
        Shown(
            "cups",
            "Where the cups lie: the hip bone cut in the frontal plane through the centre to restore (cross), from in "
            "front. Solid: the half that lies in bone. P, dashed: the plan.",
            "cups that lie in front of or behind this plane are drawn as if they lay in it.",
            wide=False,
        ),
    )
    return PartPage(
        lead=_lead(facts),
        tiles=_tiles(facts),
        pictures=shown,
        tables=(_table(facts), _limits(facts)),
        advice=(*_prices(facts), *_high_center(facts)),
    )


def _lead(facts: OptionsFacts) -> str:
    count = sum(not each.beaten for each in facts.options)
    most = max(facts.options, key=lambda each: each.figures.cover)
    goal = "this hip's own centre" if facts.goal.restores == "native" else "the mirrored centre of the other hip"
    start = " The options start from the bone behind the old cup." if facts.bed is not None else ""
    return (
        f"{count} cups, none of which is beaten by another in all: which price is worth paying is the surgeon's to "
        f"decide. Cover reaches {100 * most.figures.cover:.0f} % ({letter(facts.options.index(most))}), against "
        f"{100 * facts.plan.figures.cover:.0f} % as planned. Centre to restore: {goal} ({facts.goal.why}).{start}"
    )


def _tiles(facts: OptionsFacts) -> tuple[Tile, ...]:
    aims: tuple[tuple[str, str, str, Callable[[CupOption], float], float], ...] = (
        ("Most cover", "%", "share of the shell in bone", lambda c: 100 * c.figures.cover, 1.0),
        ("Most wall", "mm", "least distance to the inner surface", lambda c: c.figures.wall_least_mm, 1.0),
        ("Centre", "mm", "from the one to restore", lambda c: c.figures.center_away_mm, -1.0),
        ("Least bone taken", "ml", "by all reamers", lambda c: c.figures.removed_ml, -1.0),
    )
    tiles = []
    for name, unit, note, value, sign in aims:
        best = max(range(len(facts.options)), key=lambda n: sign * value(facts.options[n]))
        number = value(facts.options[best])
        text = f"{number:.0f}" if unit == "%" else f"{number:.1f}"
        planned = value(facts.plan)
        plan = f"{planned:.0f}" if unit == "%" else f"{planned:.1f}"
        tiles.append(Tile(name, text, unit, "", f"{note}: option {letter(best)}; plan {plan}"))
    return tuple(tiles)


def _table(facts: OptionsFacts) -> Table:
    rows = [_row(letter(n), words_of(each, facts), each) for n, each in enumerate(facts.options)]
    rows.append(_row("P", "as planned", facts.plan))
    definition, frame = facts.limits.definition, facts.limits.frame
    return Table(
        (
            "option",
            "size / head",
            "medial / up / front",
            "incl. / antev.",
            "cover: all / above",
            "wall: axis / least",
            "front / back wall",
            "centre off",
            "bone taken",
        ),
        tuple(rows),
        "Size of the cup and of the largest usual head in it, shifts of the centre from the native one, walls and "
        "distances in mm; bone in ml; angles "
        f"{definition}, {frame} frame. Cover in % of the shell, and of its upper quarter. Centre off: from the one to "
        "restore. Every number measured as the plan's own.",
        chosen=frozenset({len(rows) - 1}),
    )


def _row(mark: str, words: str, cup: CupOption) -> tuple[str, ...]:
    f = cup.figures
    beaten = "; beaten in all, shown to compare" if isinstance(cup, NamedOption) and cup.beaten else ""
    reaches = cup.reaches if isinstance(cup, NamedOption) else ()
    bound = f"; reaches the {' and the '.join(_LIMITS[each] for each in reaches)}" if reaches else ""
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
    return Table(("limit", "value"), rows, "What no option may break; all can be set.")


def _prices(facts: OptionsFacts) -> tuple[str, ...]:
    """Say of each option what it gains and what it costs against the plan."""
    said = []
    for n, option in enumerate(facts.options):
        gained, paid = [], []
        for more_words, less_words, factor, worth, value in _DIFFERENCES:
            more = factor * (value(option) - value(facts.plan))
            if more >= worth:
                gained.append(more_words.format(more))
            elif more <= -worth:
                paid.append(less_words.format(-more))
        gain, price = ", ".join(gained) or "nothing", ", ".join(paid) or "nothing"
        shorter = facts.plan.leg_length_change_mm - option.leg_length_change_mm
        leg = "" if abs(shorter) < _LEG_MM else f" Leg {abs(shorter):.0f} mm {'shorter' if shorter > 0 else 'longer'}."
        said.append(f"{letter(n)}, {words_of(option, facts)}. Gains over the plan: {gain}. Price: {price}.{leg}")
    better = ", ".join(letter(n) for n in facts.better_than_plan)
    if better:
        said.append(f"Nowhere worse than the plan and somewhere better: {better}.")
    return tuple(said)


def _high_center(facts: OptionsFacts) -> tuple[str, ...]:
    shown = [each for each in facts.options if set(each.favours) & set(HEIGHTS)]
    return _HIGH_CENTER_COSTS if any(Favours.HIGH_CENTER in each.favours for each in shown) else ()
