"""A comparison as the page shows it: one that was just made, or one that stands in the case."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cotyle.case import folder as names
from cotyle.errors import InputError
from PIL import Image

from cotyle_platform.session import PlanningSession
from cotyle_platform.session.history import State
from cotyle_platform.web.panels.pictures import drawn_lines, picture_uri, points_text

if TYPE_CHECKING:
    from cotyle.case.comparison_file import ComparisonFile
    from cotyle.report.comparison_layers import ComparisonWords, PictureLayers

    from cotyle_platform.web.panels.comparing import Made


@dataclass(frozen=True, eq=False)
class ShownComparison:
    """Its file, its words, each picture as the page takes it, and the plan that it belongs to, with its revision.

    ``number`` is 0 for one that is not read from the case; ``made`` is what can still be kept there.
    """

    file: ComparisonFile
    said: ComparisonWords
    pictures: tuple[dict[str, Any], ...]
    revision: int
    state: State
    number: int = 0
    made: Made | None = None
    kept_as: str = ""

    @property
    def title(self) -> str:
        """What tells it from others."""
        views = " and ".join(each.view.replace("_", " ") for each in self.file.views)
        return f"{self.number}: {views}, {self.file.verdict}"

    @property
    def words(self) -> str:
        """What stands beside the found cup wherever it is drawn."""
        of = f", comparison {self.number}" if self.number else ""
        return f"cup found in pictures{of} ({self.file.verdict})"

    def beside(self, session: PlanningSession) -> ShownComparison:
        """Return it with the session's revision where its plan is the session's, be it by undo, or else another one."""
        same = self.state.says_as(session.state)
        earlier = self.revision if self.revision != session.revision else -1
        return replace(self, revision=session.revision if same else earlier)

    def result(self, revision: int) -> dict[str, Any]:
        """Return verdict, table and doubts beside the plan of a revision."""
        return {
            "verdict": str(self.file.verdict),
            "words": self.said.verdict,
            "rows": [list(row) for row in self.said.rows],
            "doubts": list(self.said.doubts),
            "revision": self.revision,
            "old": self.revision != revision,
            "kept": self.kept_as,
        }


def of_made(made: Made, revision: int, state: State) -> ShownComparison:
    """Return a comparison that was just made with the plan of a revision."""
    from cotyle.report.comparison_layers import comparison_words

    pictures = tuple(_layers(each) for each in made.layers)
    return ShownComparison(made.file, comparison_words(made.file, made.measured), pictures, revision, state, made=made)


def kept_comparisons(case: Path, state: State) -> tuple[dict[int, ShownComparison], tuple[str, ...]]:
    """Return the comparisons that stand in a case, by number, and a line for each that cannot be read.

    ``state`` is what stands in the case: a comparison belongs to the plan it stands beside.
    """
    from cotyle.case.comparison_file import ComparisonFile
    from cotyle.case.measurements import Measurements
    from cotyle.report.comparison_layers import comparison_words

    found, faults = {}, []
    for path in case.glob("comparison-*.json"):
        number = path.stem.removeprefix("comparison-")
        if not number.isdigit():
            continue
        try:
            file = ComparisonFile.read(path)
            said = comparison_words(file, Measurements.read(case / names.MEASUREMENTS))
        except InputError as error:
            faults.append(f"{path.stem} can't be shown: {error.what}")
            continue
        stem = f"comparison-{number}"
        pictures = tuple(_stored(case / names.FIGURES, f"{stem}-{at + 1}") for at in range(len(file.views)))
        found[int(number)] = ShownComparison(file, said, pictures, -1, state, int(number), kept_as=stem)
    return dict(sorted(found.items())), tuple(faults)


def _layers(layers: PictureLayers) -> dict[str, Any]:
    lines = [*drawn_lines(layers.planned, "planned_"), *drawn_lines(layers.found, "found_")]
    edges = [{"kind": "edge", "points": points_text(edge)} for edge in layers.edges]
    return {
        "compared": layers.simulated is not None,
        "simulated": None if layers.simulated is None else picture_uri(layers.simulated),
        "real": picture_uri(layers.real),
        "lines": [*edges, *lines],
    }


def _stored(figures: Path, stem: str) -> dict[str, Any]:
    """Return a picture of the report as the page takes it; its outlines are drawn into it."""
    real, simulated = (_png(figures / f"{stem}-{kind}.png") for kind in ("overlay", "simulated"))
    columns, rows = (16, 16) if real is None else real[1]
    return {
        "columns": columns,
        "rows": rows,
        "real": "" if real is None else real[0],
        "simulated": None if simulated is None else simulated[0],
        "compared": real is not None and simulated is not None,
        "sides": ["", ""],
        "doubts": [] if real is not None else ["Its pictures are gone from the case."],
        "lines": [],
    }


def _png(path: Path) -> tuple[str, tuple[int, int]] | None:
    try:
        content = path.read_bytes()
        size = Image.open(io.BytesIO(content)).size
    except OSError:
        return None
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii"), size
