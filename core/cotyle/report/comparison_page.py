"""The section of the report on real pictures, put into the page that is there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.anatomy.findings import Grade
from cotyle.case import folder as names
from cotyle.case.comparison_file import ComparisonFile
from cotyle.case.measurements import Measurements
from cotyle.case.stages import MEASURING_FRAME
from cotyle.cup.orientation import Definition
from cotyle.report.page import rendered
from cotyle.report.page_places import Place, with_place
from cotyle.report.tiles import Tile, minus, shift_words
from cotyle.xray.verdict import Verdict

_WAYS = ("medial", "superior", "anterior")
PictureRows = tuple[tuple[str, ...], ...]

VERDICT_WORDS = {
    Verdict.CONVERGED: "Found, and the program sees nothing against it: check the outlines all the same",
    Verdict.DOUBTFUL: "Doubtful: look at the outlines before any number is used",
    Verdict.FAILED: "Failed: no number of the cup is given",
}
_GRADES = {
    Verdict.CONVERGED: Grade.SOUND,
    Verdict.DOUBTFUL: Grade.CHECK,
    Verdict.FAILED: Grade.CANNOT_PLAN,
}
"""Whose shape and colour the box of a verdict bears."""
_CAPTIONS = {
    "overlay": "Real picture: planned cup dashed, found cup solid, edges of bone thin.",
    "simulated": "The same pose simulated from the CT, same outlines.",
    "difference": "Real minus simulated: grey where they agree.",
    "blink": "Real and simulated in turn: bone that jumps is bone that does not fit.",
}


@dataclass(frozen=True)
class ComparisonSection:
    """What one section shows."""

    number: int
    file: ComparisonFile
    verdict_words: str
    grade: str
    doubts: tuple[str, ...]
    tiles: tuple[Tile, ...]
    to_level: tuple[tuple[str, str], ...]
    first_pictures: PictureRows
    more_pictures: PictureRows
    captions: Mapping[str, str]
    rows: tuple[tuple[str, str, str, str, str], ...]
    twin_words: str
    levelling: tuple[tuple[str, tuple[str, ...], str], ...]
    poses: tuple[tuple[str, ...], ...]
    machine_words: str


def page_with_comparisons(html: str, measured: Measurements, case: Path, files: Mapping[int, ComparisonFile]) -> str:
    """Return the report's page with a section for each comparison in place of those that stood there.

    Raises
    ------
    InputError
        ``report-outdated`` if the page has no place for them.
    """
    parts = [_rendered(number, file, measured, case) for number, file in sorted(files.items())]
    return with_place(html, Place.COMPARISONS, "\n".join(parts))


def _rendered(number: int, file: ComparisonFile, measured: Measurements, case: Path) -> str:
    found = sorted((case / names.FIGURES).glob(f"comparison-{number}-*.png"))
    pictures = {path.stem: path.read_bytes() for path in found}
    first, more = _rows_of_pictures(number, file, pictures)
    twin = "" if file.twin_choice is None else file.twin_choice.text
    section = ComparisonSection(
        number=number,
        file=file,
        verdict_words=VERDICT_WORDS[file.verdict],
        grade=str(_GRADES[file.verdict]),
        doubts=tuple(_sentence(text) for text in file.warnings if text != twin),
        tiles=_tiles(file, measured),
        to_level=_to_level(file),
        first_pictures=first,
        more_pictures=more,
        captions={name: picture_caption(name, file) for name in pictures},
        rows=comparison_rows(file, measured),
        twin_words=_sentence(twin),
        levelling=_levelling(file),
        poses=_poses(file),
        machine_words=_machine_words(file),
    )
    return rendered("comparison.html.j2", pictures, c=section)


def _rows_of_pictures(
    number: int, file: ComparisonFile, pictures: Mapping[str, bytes]
) -> tuple[PictureRows, PictureRows]:
    """Return the names of the pictures that are looked at first, and of the others, two in a row."""
    views = range(1, len(file.views) + 1)
    single = len(file.views) == 1

    def rows(*kinds: str) -> list[tuple[str, ...]]:
        wanted = [f"comparison-{number}-{view}-{kind}" for kind in kinds for view in views]
        there = [name for name in wanted if name in pictures]
        return [tuple(there[at : at + 2]) for at in range(0, len(there), 2)]

    if single:
        return tuple(rows("overlay", "simulated")), tuple(rows("difference", "blink"))
    return tuple(rows("overlay")), (*rows("simulated"), *rows("difference"), *rows("blink"))


def _tiles(file: ComparisonFile, measured: Measurements) -> tuple[Tile, ...]:
    """Return what is read first: both angles, the way left, the shift of the centre; none where no cup was found."""
    if file.cup is None or file.uncertainty is None or file.center_shift is None or file.depth_left_mm is None:
        return ()
    each, spread = Definition.RADIOGRAPHIC, file.uncertainty
    found, planned = file.orientation[MEASURING_FRAME][each], measured.orientation[MEASURING_FRAME][each]
    made = []
    for name in ("inclination", "anteversion"):
        here, wanted = getattr(found, f"{name}_deg"), getattr(planned, f"{name}_deg")
        sd = getattr(spread.orientation[MEASURING_FRAME][each], f"{name}_deg")
        note = f"plan {wanted:.1f}, {_more(here - wanted)}; {each}, {MEASURING_FRAME} frame"
        made.append(Tile(name.capitalize(), minus(f"{here:.1f}"), "deg", f"{2 * sd:.1f}", note))
    left, left_sd = file.depth_left_mm, spread.depth_left_mm
    deeper = left < -2 * left_sd
    note = "deeper than planned, along the planned axis" if deeper else "from dome to planned floor, along its axis"
    made.append(Tile("Left to the floor", minus(f"{left:.1f}"), "mm", f"{2 * left_sd:.1f}", note, deeper))
    shift, sds = file.center_shift, spread.center_shift_mm
    length = sum(getattr(shift, way) ** 2 for way in _WAYS) ** 0.5
    sd = max(getattr(sds, way) for way in _WAYS)
    note = f"{shift_words(shift)} of the planned centre, {MEASURING_FRAME} frame"
    made.append(Tile("Centre off by", f"{length:.1f}", "mm", f"{2 * sd:.1f}", note))
    return tuple(made)


def picture_caption(name: str, file: ComparisonFile) -> str:
    """Return what a picture of a comparison shows; ``name`` as in the case's figures, ``comparison-1-1-overlay``."""
    view, kind = name.split("-")[-2:]
    failed = file.views[int(view) - 1].verdict is Verdict.FAILED
    return "Real picture as it was read; no pose was found." if failed else _CAPTIONS[kind]


def _more(difference: float) -> str:
    return f"{abs(difference):.1f} {'more' if difference > 0 else 'less'}"


def _to_level(file: ComparisonFile) -> tuple[tuple[str, str], ...]:
    """Return the moves that level the first picture, and those that bring it to the standing pelvis."""
    levelling = file.levelling or {}
    named = ((MEASURING_FRAME, "To level the view"), ("standing", "To show the standing pelvis"))
    words = {frame: "; ".join(levelling.get(frame, {}).get("words", ())) for frame, _ in named}
    shown = [(title, _sentence(words[frame])) for frame, title in named if words[frame]]
    return tuple(shown[:1] if len(set(words.values())) == 1 else shown)


def _sentence(text: str) -> str:
    return text and text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def comparison_rows(file: ComparisonFile, measured: Measurements) -> tuple[tuple[str, str, str, str, str], ...]:
    """Return the table: words, plan, found, difference, two standard deviations; empty where no cup was found."""
    if file.cup is None or file.uncertainty is None or file.difference is None or file.center_shift is None:
        return ()
    rows = []
    each = Definition.RADIOGRAPHIC
    for frame in _in_order(file.orientation):
        planned, found = measured.orientation[frame].get(each), file.orientation[frame].get(each)
        if planned is None or found is None:
            continue
        spread, difference = file.uncertainty.orientation[frame][each], file.difference.orientation[frame][each]
        for name in ("inclination", "anteversion"):
            field = f"{name}_deg"
            rows.append(
                _row(
                    f"{name}, {each}, {frame} frame",
                    getattr(planned, field),
                    getattr(found, field),
                    getattr(difference, field),
                    getattr(spread, field),
                    "deg",
                )
            )
    shift, spread_mm = file.center_shift, file.uncertainty.center_shift_mm
    for name in _WAYS:
        value = getattr(shift, name)
        rows.append(_row(f"centre, {name}, supine frame", None, None, value, getattr(spread_mm, name), "mm"))
    assert file.depth_left_mm is not None
    words = "left to the planned floor along the planned axis"
    rows.append(_row(words, None, None, file.depth_left_mm, file.uncertainty.depth_left_mm, "mm"))
    return tuple(rows)


def _in_order(frames: Mapping[str, Any]) -> list[str]:
    """Return the frames of a mapping in the order in which the whole report names them; a file sorts them by letter."""
    first = [frame for frame in ("app", "supine", "standing") if frame in frames]
    return [*first, *(frame for frame in frames if frame not in first)]


def _row(
    words: str, plan: float | None, found: float | None, difference: float, sd: float, unit: str
) -> tuple[str, str, str, str, str]:
    def number(value: float | None, sign: str = "") -> str:
        return "" if value is None else minus(f"{value:{sign}.1f} {unit}")

    return words, number(plan), number(found), number(difference, "+"), f"{2 * sd:.1f} {unit}"


def _levelling(file: ComparisonFile) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    rows = []
    levelling = file.levelling or {}
    for frame in _in_order(levelling):
        content = levelling[frame]
        spread: Mapping[str, Any] = content.get("sd", {})
        angles = []
        for name in ("anterior_tilt_deg", "rotation_to_left_deg", "left_up_deg"):
            value = content.get(name)
            angles.append("not settled" if value is None else minus(f"{value:.1f} ± {2 * spread.get(name, 0):.1f}°"))
        rows.append((frame, tuple(angles), "; ".join(content.get("words", ()))))
    return tuple(rows)


def _poses(file: ComparisonFile) -> tuple[tuple[str, ...], ...]:
    rows = []
    for number, view in enumerate(file.views, start=1):
        residual = "none agree" if view.residual_mm is None else f"{view.residual_mm:.2f} mm"
        spreads: tuple[str, ...] = ("–",) * 3
        if view.verdict is not Verdict.FAILED:
            sd = view.standard_deviations
            spreads = (
                f"{2 * max(sd['along_columns_mm'], sd['along_rows_mm']):.1f} mm",
                f"{2 * max(sd['about_columns_deg'], sd['about_rows_deg']):.1f}°",
                f"{2 * sd['depth_mm']:.1f} mm",
            )
        words = f"{number}: {view.view.replace('_', ' ')}, {view.verdict}"
        rows.append((words, f"{100 * max(view.explained, 0):.0f} %", residual, *spreads))
    return tuple(rows)


def _machine_words(file: ComparisonFile) -> str:
    known = [view.depth_mm_per_percent_of_distance for view in file.views]
    per_percent = next((each for each in known if each is not None), None)
    if per_percent is None:
        return "Where the C-arm stood was not found: nothing is told about its place."
    return (
        "Deviations hold for the machine as stated. If its distance from source to detector is wrong by 1 %, depth "
        f"along the beam is wrong by {abs(per_percent):.0f} mm; one picture alone cannot tell. Depth is the weakest "
        "number of a single view."
    )


def comparison_files(case: Path) -> dict[int, ComparisonFile]:
    """Return the comparisons of a case by number."""
    found = {}
    for path in case.glob("comparison-*.json"):
        number = path.stem.removeprefix("comparison-")
        if number.isdigit():
            found[int(number)] = ComparisonFile.read(path)
    return found


def next_number(numbers: Sequence[int]) -> int:
    """Return the number of the next comparison."""
    return max(numbers, default=0) + 1
