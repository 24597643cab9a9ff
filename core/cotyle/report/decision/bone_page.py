"""The page on bone quality, from its file alone."""

from __future__ import annotations

from cotyle.case.decision.bone import BoneFacts
from cotyle.cup.bed_density import REGIONS
from cotyle.report.decision.part_page import PartPage, Shown, Table
from cotyle.report.tiles import Tile, minus


def bone_page(facts: BoneFacts) -> PartPage:
    """Return the page on bone quality."""
    return PartPage(
        lead=_lead(facts),
        tiles=_tiles(facts),
        advice=_advice(facts),
        body=(
            Shown(
                "bed",
                "Left: the shell seen into its mouth, the pole in the middle; numbers are means of the five regions; "
                "red: where bone ends. Right: along that rim, and along the axis of the last reamer.",
                "the CT's own Hounsfield units, not calibrated; bone before reaming; where less than 10 mm of bone lie "
                "behind the shell, as at the rim, it is mostly cortex.",
            ),
            _regions(facts),
        ),
    )


def _lead(facts: BoneFacts) -> str:
    if facts.soft is None or facts.marrow_hu is None:
        return "Too little marrow lies behind the shell to tell how soft the bone is."
    verdict = "soft" if facts.soft else "not soft"
    words = (
        f"By its marrow the bone behind the shell is {verdict}: {facts.marrow_hu:.0f} HU, called soft below "
        f"{facts.soft_below_hu:.0f} HU (the scanner's own units, not calibrated)."
    )
    if facts.opposite_marrow_hu is not None:
        words += f" About the other hip it is {facts.opposite_marrow_hu:.0f} HU in the same scan."
    if _beside_metal(facts):
        words += " Do not go by it: this hip holds metal, which spoils every density here."
    return minus(words)


def _beside_metal(facts: BoneFacts) -> bool:
    return any(doubt.code == "bone-beside-metal" for doubt in facts.doubts)


def _tiles(facts: BoneFacts) -> tuple[Tile, ...]:
    wall = facts.wall
    metal = "; beside metal, not to go by" if _beside_metal(facts) else ""
    return (
        Tile(
            "Marrow behind the shell",
            _hu(facts.marrow_hu),
            "HU",
            "",
            f"median, 4 mm and more deep{metal}",
            bool(facts.soft) or bool(metal),
        ),
        Tile("Marrow, other hip", _hu(facts.opposite_marrow_hu), "HU", "", "same scan, about its native socket"),
        Tile(
            "Wall on the axis",
            _hu(wall.mean_hu),
            "HU",
            "",
            f"mean over {wall.along_axis_mm:.1f} mm; densest {_hu(wall.most_hu)}"
            + ("; thinner than the scan resolves: reads too soft" if wall.thin else "")
            + metal,
            wall.thin or bool(metal),
        ),
    )


def _regions(facts: BoneFacts) -> Table:
    rows = [
        (
            name,
            _hu(each.bone_hu),
            _hu(each.marrow_hu),
            f"{100 * each.bone_share:.0f} %",
        )
        for name, each in ((name, facts.regions[name]) for name in REGIONS)
    ]
    return Table(
        ("region of the bed", "first 10 mm of bone, HU", "marrow, HU", "has bone behind it"),
        tuple(rows),
        "Medial: within 45 deg of the pole. Others: quarters about the cup's axis. In a sound hip the roof is "
        "densest, the front softest (older and younger alike; doi 10.1186/s12891-022-05263-3). Fractures on "
        "seating a cup happened where a hip was relatively weak (Nishi et al., Arthroplast Today 2022;14:216).",
        frozenset(n for n, name in enumerate(REGIONS) if name == facts.softest),
    )


def _advice(facts: BoneFacts) -> tuple[str, ...]:
    said = []
    if facts.soft:
        said.append(
            "Soft bone: ream in short bursts, with an image after each second or two, and stop early; the depth at "
            "which to stop comes sooner than the hand expects (common practice, no source)."
        )
    if facts.hardest and facts.softest and facts.hardest_over_softest and facts.uneven:
        said.append(
            f"Bone is {facts.hardest_over_softest:.1f} times as dense {_where(facts.hardest)} as "
            f"{_where(facts.softest)}: a reamer leaves hard bone for soft, so expect it to drift that way and check "
            "the centre on the screen (common practice, no source)."
        )
    return tuple(said)


def _where(region: str) -> str:
    return {
        "superior": "superiorly",
        "anterior": "anteriorly",
        "inferior": "inferiorly",
        "posterior": "posteriorly",
    }[region]


def _hu(value: float | None) -> str:
    return "not known" if value is None else minus(f"{value:.0f}")
