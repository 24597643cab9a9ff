"""The page on a revision, from its file alone."""

from __future__ import annotations

from cotyle.anatomy.metal.metal_cup import CupKind
from cotyle.case.decision.revision import WORDS, RevisionFacts
from cotyle.cup.orientation import Definition
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus

_FRAMES = ("app", "supine", "standing")
_KINDS = {CupKind.SHELL: "metal shell", CupKind.CEMENTED: "plastic cup in cement"}


def revision_page(facts: RevisionFacts) -> PartPage:
    """Return the page on a revision."""
    return PartPage(
        lead=_lead(facts),
        tiles=_tiles(facts),
        advice=_advice(facts),
        body=(*_pictures(facts), _place(facts), *_losses(facts), _cup(facts)),
    )


def _pictures(facts: RevisionFacts) -> tuple[Shown, ...]:
    upright = Shown(
        "upright",
        "The CT along the old cup's axis, from in front. Blue: the cup as measured; violet, dashed: its bony bed; "
        "green: found edges of bone; yellow: the least bone behind it, if it lies in this plane.",
        "one sphere for the cup, one for its bed; edges in streaks are the shape model's.",
        width="half",
    )
    if facts.losses is None:
        return (upright,)
    lost = Shown(
        "lost",
        "The hip bone from in front and from the side (dots). Red: bone that the mirrored other hip has there and this "
        "one has not. Circle: outside of the old cup.",
        "both hip bones were alike once; 1.5 mm under the surface nothing is counted.",
        width="half",
    )
    return (upright, lost)


def _lead(facts: RevisionFacts) -> str:
    cup, behind = facts.cup, facts.behind
    words = f"The {facts.side} hip holds a {_KINDS[cup.kind]} of {cup.outer_diameter_mm:.1f} mm{_seat(facts)}."
    if behind.breached:
        return f"{words} It reaches through the inner surface of the pelvis.{_most_lost(facts)}"
    return (
        f"{words} Behind it {behind.along_axis_mm:.1f} ± {2 * behind.along_axis_sd_mm:.1f} mm of bone lie on its axis, "
        f"{behind.least_mm:.1f} ± {2 * behind.least_sd_mm:.1f} mm at the thinnest.{_most_lost(facts)}"
    )


def _seat(facts: RevisionFacts) -> str:
    """Whether the old cup looks loose."""
    bed, limits = facts.bed, facts.limits
    if bed is None:
        return "; whether it is loose is not seen"
    loose = bed.line_mm >= limits.line_mm or bed.line_share >= limits.line_share
    return " that looks loose" if loose else " that does not look loose"


def _most_lost(facts: RevisionFacts) -> str:
    if not facts.losses:
        return ""
    name, loss = max(facts.losses.items(), key=lambda pair: pair[1].share)
    few = loss.share < facts.limits.loss_share
    return (
        f" Most is missing at the {WORDS[name]}: {100 * loss.share:.0f} % ({loss.missing_ml:.1f} ml) of what the "
        "mirrored other hip has" + (f"; no region lacks {100 * facts.limits.loss_share:.0f} %." if few else ".")
    )


def _tiles(facts: RevisionFacts) -> tuple[Tile, ...]:
    cup, behind, limits = facts.cup, facts.behind, facts.limits
    shift = facts.place.from_expected_mm
    bed = facts.bed
    return (
        Tile("Old cup", f"{cup.outer_diameter_mm:.1f}", "mm", f"{2 * cup.diameter_sd_mm:.1f}", _KINDS[cup.kind]),
        Tile(
            "Least bone behind it",
            f"{behind.least_mm:.1f}",
            "mm",
            f"{2 * behind.least_sd_mm:.1f}",
            "to the inner surface",
            behind.breached or behind.least_mm < limits.thin_wall_mm,
        ),
        Tile(
            "Centre, upwards",
            "not known" if shift is None else minus(f"{shift.superior:+.1f}"),
            "" if shift is None else "mm",
            "" if shift is None else f"{2 * cup.center_sd_mm:.1f}",
            "from the mirrored opposite centre; ± of the old cup alone",
            shift is not None and shift.superior >= limits.migration_mm,
        ),
        Tile(
            "Dark line behind it",
            "not seen" if bed is None else f"{bed.line_mm:.1f}",
            "" if bed is None else "mm",
            "",
            "" if bed is None else f"median; bone seen on {100 * bed.seen_share:.0f} % of the dome",
            bed is None or bed.line_mm >= limits.line_mm or bed.line_share >= limits.line_share,
        ),
    )


def _cup(facts: RevisionFacts) -> Table:
    rows = []
    for frame in (name for name in _FRAMES if name in facts.cup.orientation):
        angles = facts.cup.orientation[frame]
        pairs = [angles.get(each) for each in Definition]
        cells = (
            "undefined" if pair is None else minus(f"{pair.inclination_deg:.1f} / {pair.anteversion_deg:.1f}")
            for pair in pairs
        )
        rows.append((frame, *cells))
    center = " ".join(minus(f"{value:.1f}") for value in facts.cup.center_lps_mm)
    return Table(
        ("the old cup in frame", *(str(each) for each in Definition)),
        tuple(rows),
        f"Inclination / anteversion, deg; the axis is known to ± {2 * facts.cup.axis_sd_deg:.1f} deg. Centre (LPS) "
        f"{center} mm, ± {2 * facts.cup.center_sd_mm:.1f} along each axis.",
    )


def _place(facts: RevisionFacts) -> Table:
    place, behind, bed = facts.place, facts.behind, facts.bed
    shift = place.from_expected_mm
    own = f"± {2 * facts.cup.center_sd_mm:.1f} of the old cup alone"
    rows = [
        ("bone behind the cup, on its axis", f"{behind.along_axis_mm:.1f} ± {2 * behind.along_axis_sd_mm:.1f} mm"),
        ("from its pole to the inner surface, on its axis", f"{behind.to_inner_surface_mm:.1f} mm"),
        (
            "centre from the mirrored opposite: medial, superior, anterior",
            "not known"
            if shift is None
            else minus(f"{shift.medial:+.1f}, {shift.superior:+.1f}, {shift.anterior:+.1f} mm, {own}"),
        ),
        ("centre above the line of the teardrops", _known(place.above_teardrops_mm, own)),
        (
            "medial edge past the ilio-ischial line, level AP pelvis (less: lateral of it)",
            _known(place.past_ilioischial_mm, own),
        ),
    ]
    if bed is not None:
        rows.append(("bony bed: diameter", f"{bed.diameter_mm:.1f} ± {2 * bed.diameter_sd_mm:.1f} mm"))
        rows.append(("bed with a dark line of 1 mm or more", f"{100 * bed.line_share:.0f} %"))
    rows.append(("edges about the socket in metal or its streaks", f"{100 * facts.metal_edge_share:.0f} %"))
    return Table(
        ("where it lies, and what is behind it", ""),
        tuple(rows),
        "± two standard deviations; where none stands, none was worked out. Directions in the supine frame.",
        words=frozenset({1}),
    )


def _losses(facts: RevisionFacts) -> tuple[Table, ...]:
    if facts.losses is None:
        return ()
    losses = {name: facts.losses[name] for name in WORDS if name in facts.losses}
    rows = [
        (WORDS[name], f"{loss.of_ml:.1f}", f"{loss.missing_ml:.1f}", f"{100 * loss.share:.0f} %")
        for name, loss in losses.items()
    ]
    differ = facts.halves_differ_mm
    return (
        Table(
            ("bone lost at the", "other hip, ml", "missing here, ml", "share"),
            tuple(rows),
            "Against the mirrored other hip"
            + ("" if differ is None else f"; both bones, laid on each other, differ by {differ:.1f} mm (median)")
            + ". Measures, not a class: a class also asks what is found at operation.",
            frozenset(n for n, loss in enumerate(losses.values()) if loss.share >= facts.limits.loss_share),
        ),
    )


def _advice(facts: RevisionFacts) -> tuple[str, ...]:
    said = []
    if facts.no_losses_because:
        said.append(f"Lost bone cannot be told: {facts.no_losses_because}.")
    if facts.behind.breached or facts.behind.least_mm < facts.limits.thin_wall_mm:
        said.append("Look where the vessels run before the cup is taken out (common practice, no source).")
    return tuple(said)


def _known(value: float | None, spread: str) -> str:
    return "not known" if value is None else minus(f"{value:+.1f} mm, {spread}")
