"""The page on tolerance, from its file alone."""

from __future__ import annotations

from cotyle.case.decision.tolerance import OutcomeFact, ToleranceFacts
from cotyle.cup.tolerance.causes import CAUSES, Cause
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus

CAUSE_WORDS = {
    Cause.LANDMARKS: "landmarks",
    Cause.EDGES: "bone edges",
    Cause.PICTURE: "picture",
    Cause.POSTURE: "standing tilt",
    Cause.HAND: "hand",
    Cause.DEPTH: "depth",
    Cause.SIZE: "size",
}
OUTCOME_WORDS = {
    "inclination_deg": "inclination, supine (deg)",
    "anteversion_deg": "anteversion, supine (deg)",
    "standing_inclination_deg": "inclination, standing (deg)",
    "standing_anteversion_deg": "anteversion, standing (deg)",
    "wall_along_axis_mm": "wall along the axis (mm)",
    "least_wall_mm": "least wall (mm)",
    "coverage": "coverage (%)",
    "center_medial_mm": "centre, medial (mm)",
    "center_superior_mm": "centre, superior (mm)",
    "center_anterior_mm": "centre, anterior (mm)",
}
_SPREAD_WORDS = (
    (
        "landmarks",
        "plane's tilt / rotation / obliquity",
        ("plane_tilt_deg", "plane_rotation_deg", "plane_obliquity_deg"),
    ),
    ("landmarks", "native centre, along each axis", ("native_center_mm",)),
    ("bone edges", "wall along the axis / least wall", ("wall_mm", "least_wall_mm")),
    ("bone edges", "coverage, share", ("coverage",)),
    ("picture", "tilt / rotation / turn", ("picture_tilt_deg", "picture_rotation_deg", "picture_turn_deg")),
    ("picture", "across the beam / along it", ("picture_across_mm", "picture_depth_mm")),
    ("standing tilt", "of the standing pelvis", ("standing_tilt_deg",)),
    ("hand", "inclination / anteversion", ("hand_inclination_deg", "hand_anteversion_deg")),
    ("hand", "across the axis", ("hand_across_mm",)),
    ("depth", "along the axis, between pictures", ("depth_mm",)),
    ("size", "chance of one up / one down", ("one_size_up", "one_size_down")),
)
_TOLD_FROM = 0.1


def tolerance_page(facts: ToleranceFacts) -> PartPage:
    """Return the page on tolerance."""
    return PartPage(
        lead=_lead(facts),
        tiles=_tiles(facts),
        advice=_advice(facts),
        body=(
            Shown(
                "spread",
                "Left: where the cup ends in 400 procedures, against the target zone; cross: plan. Right: the "
                "least wall and the wall along the axis that are left; dashed: limit.",
                "the deviations of the table of causes; angles radiographic, supine.",
            ),
            _figures(facts),
            Shown(
                "causes",
                "Which cause the spread of each figure comes from: shares of its variance.",
                "causes are independent; a share is what one cause explains alone (Sobol 1993), fitted by squares.",
            ),
            _spreads(facts),
            *_checked(facts),
        ),
    )


def _lead(facts: ToleranceFacts) -> str:
    chances = facts.chances
    return (
        f"Of 100 procedures like this one, {_hundred(chances.in_zone)} end in the target zone on the table and "
        f"{_hundred(chances.standing_in_zone)} standing; in {_or_none(chances.below_least_wall)} the least wall falls "
        f"below {chances.least_wall_limit_mm:g} mm, and {_or_none(chances.breach)} go through it. {_stop_words(facts)}"
    )


def _stop_words(facts: ToleranceFacts) -> str:
    stop = facts.stop
    if stop.before_seat_mm is None:
        return "No place to stop for a picture is early enough."
    if stop.before_seat_mm == 0.0:
        return "The wall allows reaming to the seat before the next picture."
    return f"Stop {stop.before_seat_mm:.1f} mm before the seat and take a picture."


def _tiles(facts: ToleranceFacts) -> tuple[Tile, ...]:
    chances, stop = facts.chances, facts.stop
    at_seat = stop.before_seat_mm == 0.0
    before = "nowhere" if stop.before_seat_mm is None else "at the seat" if at_seat else f"{stop.before_seat_mm:.1f}"
    limit = chances.least_wall_limit_mm
    return (
        Tile(
            "In the zone, on the table",
            _hundred(chances.in_zone),
            "%",
            "",
            "of procedures; plan's target zone",
            chances.in_zone < 0.9,
        ),
        Tile(
            "In the zone, standing",
            _hundred(chances.standing_in_zone),
            "%",
            "",
            "same zone, standing pelvis" + (", tilt assumed" if facts.standing_assumed else ""),
            chances.standing_in_zone < 0.9,
        ),
        Tile(
            f"Wall below {limit:g} mm",
            _hundred(chances.below_least_wall),
            "%",
            "",
            f"of procedures; through the wall in {_hundred(chances.breach)} %",
            chances.below_least_wall > stop.accepted,
        ),
        Tile(
            "Stop for a picture",
            before,
            "" if at_seat or stop.before_seat_mm is None else "mm",
            "",
            ("" if at_seat or stop.before_seat_mm is None else "before the seat: ")
            + f"there the wall is below {limit:g} mm in at most {100 * stop.accepted:g} %",
            stop.before_seat_mm is None,
        ),
    )


def _figures(facts: ToleranceFacts) -> Table:
    return Table(
        ("figure", "planned", "95 of 100 lie from", "to", "1 SD", "most of it from"),
        tuple(_row(name, facts.outcomes[name]) for name in OUTCOME_WORDS if name in facts.outcomes),
        f"Over {facts.procedures} procedures; a chance of 10 % is then known to ± "
        f"{200 * (0.1 * 0.9 / facts.procedures) ** 0.5:.1f} points (binomial), by the spreads below.",
        words=frozenset({5}),
    )


def _row(name: str, fact: OutcomeFact) -> tuple[str, ...]:
    scale, digits = (100.0, 0) if name == "coverage" else (1.0, 1)
    numbers = (fact.planned, *fact.interval, fact.sd)
    return (OUTCOME_WORDS[name], *(minus(f"{scale * each:.{digits}f}") for each in numbers), _causes_words(fact))


def _causes_words(fact: OutcomeFact) -> str:
    ranked = sorted(CAUSES, key=lambda cause: -fact.shares.get(cause, 0.0))
    large = [cause for cause in ranked if fact.shares.get(cause, 0.0) >= _TOLD_FROM]
    told = [f"{CAUSE_WORDS[cause]} {_hundred(fact.shares[cause])} %" for cause in large]
    return ", ".join(told[:3])


def _spreads(facts: ToleranceFacts) -> Table:
    rows = tuple(
        (cause, words, " / ".join(f"{facts.spreads[name]:.2g}" for name in names), _unit(names[0]))
        for cause, words, names in _SPREAD_WORDS
    )
    caption = "What was taken to err, and by how much; give your own."
    return Table(("cause", "what errs", "1 SD", "unit"), rows, caption, words=frozenset({1, 3}))


def _checked(facts: ToleranceFacts) -> tuple[Table, ...]:
    """How far the estimates were off; nothing where a file does not hold it."""
    held = facts.checked
    if held is None:
        return ()
    rows = tuple(
        (
            OUTCOME_WORDS[name],
            f"{factor * off.usual:.{digits}f}",
            minus(f"{factor * off.worst:+.{digits}f}"),
            f"{_hundred(off.far_share)} of 100",
        )
        for name, off in ((name, held.differences[name]) for name in OUTCOME_WORDS if name in held.differences)
        for factor, digits in ((100.0, 1) if name == "coverage" else (1.0, 2),)
    )
    walls, cover = held.differences["least_wall_mm"].limit, held.differences["coverage"].limit
    missed = 10.0 * 0.99 ** (held.measured - held.thinnest)
    caption = (
        f"Wall and coverage of the procedures are quick estimates. {held.measured} of them, the {held.thinnest} with "
        f"the thinnest wall among them, were measured in full: {held.unseen_through} were through by the measurement "
        f"alone, {held.wrongly_through} by the estimate alone. Far off: more than {walls:g} mm, {100 * cover:g} points."
        f" What only 1 of 100 procedures meets, {missed:.0f} of 10 such samples miss."
    )
    return (Table(("estimate", "usually off by", "worst, measured less estimated", "far off in"), rows, caption),)


def _unit(name: str) -> str:
    return "deg" if name.endswith("_deg") else "mm" if name.endswith("_mm") else "share of 1"


def _advice(facts: ToleranceFacts) -> tuple[str, ...]:
    stop, limit = facts.stop, facts.chances.least_wall_limit_mm
    words = (
        f"By feel alone the wall is below {limit:g} mm at the seat in {_or_none(stop.at_seat)} of 100; with a picture "
        f"on the way that tells depth and direction, in {_or_none(stop.after_picture)} of them."
    )
    return (words,)


def _or_none(share: float) -> str:
    return "none" if share == 0.0 else _hundred(share)


def _hundred(share: float) -> str:
    value = 100.0 * share
    if 0.0 < value < 1.0:
        return "less than 1"
    if 99.0 < value < 100.0:
        return "more than 99"
    return f"{value:.0f}"
