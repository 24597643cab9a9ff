"""The page on screws, from its file alone."""

from __future__ import annotations

from cotyle.case.decision.screws import PROPOSED_IN, ScrewFact, ScrewFacts
from cotyle.cup.screws.quadrants import Quadrant
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.decision.screw_figure import MOST_AIMED, SHORT, screw_names
from cotyle.report.tiles import minus

_USE = {
    Quadrant.POSTERIOR_SUPERIOR: "first choice",
    Quadrant.POSTERIOR_INFERIOR: "short screws, with care",
    Quadrant.ANTERIOR_INFERIOR: "avoid",
    Quadrant.ANTERIOR_SUPERIOR: "avoid",
}


def screw_page(facts: ScrewFacts) -> PartPage:
    """Return the page on screws."""
    slices = [
        Shown(
            f"slice-{SHORT[screw.quadrant].lower()}",
            f"The proposed {screw.quadrant} screw in the CT, in the plane of the cup's axis: yellow to its allowed "
            "length.",
            "straight out of the shell; the generic shell has a hole there.",
            width="half",
        )
        for screw in facts.screws
        if screw.proposed
    ]
    return PartPage(
        lead=_lead(facts),
        advice=(
            "Holes of a real shell lie where its maker put them: give place and direction of a screw to have it "
            "looked at.",
        ),
        body=(
            _screws(facts),
            _quadrants(facts),
            Shown(
                "map",
                "The shell seen into its mouth; the middle is the pole, the edge the rim. Dashed: the line to the "
                "anterior superior iliac spine (ASIS) and the one across it (Wasielewski et al. 1990). Thin line: 20 "
                "mm. Discs: proposed; crosses: asked for.",
                "screws straight out of the shell, with the margins below; a hole wherever one is wanted.",
            ),
            *slices,
            *(_aim(facts) if facts.screws else ()),
            Shown(
                "profile",
                "What each screw meets: density of the CT, and distance of its axis to the inner surface of the pelvis "
                "(below zero: past it). Upright lines: allowed length; dotted: exit.",
                "density as the scanner gives it, not calibrated; a thin wall reads too soft, bone beside metal not "
                "at all.",
                width="most",
            ),
        ),
    )


def _aim(facts: ScrewFacts) -> tuple[Shown, ...]:
    return (
        Shown(
            "aim",
            "From the same place, the drill leaning: safe length (mm) over the directions, straight out of the shell "
            "in the middle, rings every 5 deg, seen into the mouth. Disc or cross: the screw itself"
            + (f". The first {MOST_AIMED} screws." if len(facts.screws) > MOST_AIMED else "."),
            "the margins below; the hole of a real shell may hold the drill back sooner.",
            width="whole" if len(facts.screws) > 2 else "half",
        ),
    )


def _lead(facts: ScrewFacts) -> str:
    best = next((each for each in facts.screws if each.proposed and each.quadrant is Quadrant.POSTERIOR_SUPERIOR), None)
    if best is None:
        return "No straight screw in the posterior-superior quadrant forgives the hand."
    return (
        f"A posterior-superior screw of up to {best.allowed_mm:.0f} mm forgives the hand: it starts "
        f"{best.from_pole_deg:.0f} deg from the pole, {best.around_deg:.0f} deg round from the line to the ASIS "
        f"towards posterior, straight out of the shell. The far cortex lies at {best.exit_mm:.0f} ± "
        f"{2 * best.exit_sd_mm:.1f} mm ({_exit_words(best)})."
    )


def _exit_words(screw: ScrewFact) -> str:
    if screw.into_pelvis:
        return "into the pelvis"
    return f"not into the pelvis; {screw.exit_to_inner_surface_mm:.0f} mm from its surface"


def _screws(facts: ScrewFacts) -> Table:
    rows = []
    for screw, name in zip(facts.screws, screw_names(facts), strict=True):
        asked = "" if screw.asked_mm is None else f"{screw.asked_mm:.0f}"
        allowed = f"{screw.allowed_mm:.1f}" if screw.quadrant in PROPOSED_IN else "avoid"
        rows.append(
            (
                name,
                f"{screw.from_pole_deg:.0f} / {screw.around_deg:.0f}",
                asked,
                allowed,
                f"{screw.safe_mm:.1f}",
                f"{screw.bone_mm:.1f}",
                f"{screw.exit_mm:.1f} ± {2 * screw.exit_sd_mm:.1f}",
                _exit_words(screw) if screw.bone_mm > 0 else "no bone",
                f"{screw.nearest_to_inner_surface_mm:.1f}",
                "not known" if screw.mean_hu is None else minus(f"{screw.mean_hu:.0f}"),
            )
        )
    return Table(
        (
            "screw",
            "from pole / round, deg",
            "asked, mm",
            "allowed, mm",
            "safe if straight, mm",
            "bone, mm",
            "far cortex at, mm",
            "where it would come out",
            "nearest to inner surface, mm",
            "density, mean HU",
        ),
        tuple(rows),
        "Round: from the line to the ASIS towards posterior; to 90 posterior-superior, to 180 posterior-inferior. "
        "Lengths from the outside of the shell. Allowed: safe even if the hand errs, and within the limit of its "
        "quadrant. Far cortex ± two standard deviations, of the bone's edge in the scan. Nearest: of the axis, up to "
        "the exit.",
        frozenset(n for n, screw in enumerate(facts.screws) if screw.proposed),
        frozenset({7}),
    )


def _quadrants(facts: ScrewFacts) -> Table:
    rows = []
    for quadrant in Quadrant:
        fact = facts.quadrants[quadrant]
        rows.append(
            (
                f"{quadrant} ({SHORT[quadrant]})",
                _USE[quadrant],
                f"{100 * fact.share_20_mm:.0f} %",
                f"{fact.median_safe_mm:.0f} mm",
                "not known" if fact.mean_hu is None else minus(f"{fact.mean_hu:.0f}"),
                fact.at_risk,
            )
        )
    return Table(
        ("quadrant", "use", "of it safe for 20 mm", "median safe length", "density, mean HU", "what lies behind it"),
        tuple(rows),
        "Use and what lies behind: Wasielewski et al., J Bone Joint Surg Am 1990;72:501, after teaching pages. "
        "Anterior quadrants are to be avoided however much bone they show.",
        words=frozenset({1, 5}),
    )
