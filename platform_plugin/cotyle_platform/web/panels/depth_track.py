"""The depth track: the way along the reaming axis across the full width of the page; dragging it moves the reamer.

Owns the state key ``reaming_position``: how far the reamers have gone, mm of way over all steps (see
:mod:`cotyle.cup.reaming_way`). Whoever else shows the reamer reads and writes the same key.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from cotyle.cup.depth_track import DepthTrack as Track
from cotyle.cup.reaming_way import ReamerPlace, depth_on_track_mm, reamer_at, way_at_depth_mm, way_starts_mm
from cotyle.report.track_content import (
    AXIS_WORDS,
    DENSITY_WORDS,
    TrackContent,
    live_track,
    place_words,
    track_content,
)
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.web.panels.panel import Panel

POSITION = "reaming_position"


class DepthTrack(Panel):
    """Density, soft fossa, floor, inner surface, reamers, cup, bone left; a handle where the reamer is."""

    name = "depth_track"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self._track: Track | None = None
        self._way_mm = 0.0
        server.state.setdefault(POSITION, 1e6)
        self.refresh()
        self.on(POSITION, self._moved)
        self.on("depth_track_hand", self._dragged)

    def build(self) -> None:
        """Lay the track out where the page has put it."""
        self.draw("depth_track.html")

    def heard(self, kind: str, revision: int) -> None:
        """Follow the plan, the comparison, the plan that was kept and what was decided."""
        if kind in ("plan", "full", "kept", "compared", "decided"):
            self.soon(self.refresh)

    def refresh(self) -> None:
        """Draw the track of the current plan; a reamer that stood at its end still does."""
        numbers, state = self.session.numbers, self.server.state
        self._track = live_track(numbers)
        content = track_content(self._track, numbers.cup.outer_diameter_mm, self.desk.comparison)
        kept = self.desk.kept
        beside = None if kept is None else track_content(live_track(kept), kept.cup.outer_diameter_mm)
        starts = way_starts_mm(numbers.steps)
        seated = float(state[POSITION]) >= self._way_mm - 1e-6
        self._way_mm = starts[-1]
        state[POSITION] = self._way_mm if seated else min(float(state[POSITION]), self._way_mm)
        shown: dict[str, Any] = asdict(content) | {
            "rows": _rows(content, beside, self.desk.compared_revision != self.session.revision),
            "ticks": content.ticks_mm,
            "starts": starts,
            "way": starts[-1],
            "axis_words": AXIS_WORDS,
            "density_words": DENSITY_WORDS,
        }
        self.put(**{"": shown, "reamer": self._reamer(), "stop": self._stop(), "hand": None})

    def _reamer(self) -> dict[str, Any]:
        numbers, track = self.session.numbers, self._track
        assert track is not None
        place: ReamerPlace = reamer_at(numbers.steps, float(self.server.state[POSITION]))
        depth = depth_on_track_mm(track.bars, place)
        return {"step": place.step, "depth": depth, "words": place_words(numbers.steps, place, depth)}

    def _stop(self) -> dict[str, Any] | None:
        """Return where to stop for a picture; the page shows it while it belongs to the plan (``decide_fresh``)."""
        decided = self.desk.decided
        tolerance = None if decided is None else decided.tolerance
        if tolerance is None or self._track is None:
            return None
        from cotyle.report.decision.tolerance_marks import stop_mark

        mark = stop_mark(self._track, tolerance.stop)
        return None if mark is None else {"at": mark.at_mm, "words": mark.words}

    def _moved(self, _: Any) -> None:
        self.soon(self._show_reamer)

    def _show_reamer(self) -> None:
        self.put(reamer=self._reamer())

    def _dragged(self, hand: Any) -> None:
        """Take where the pointer is: depth in mm, the step that the drag began on, and whether it ends here."""
        if not hand or self._track is None:
            return
        bars, steps = self._track.bars, self.session.numbers.steps
        step = min(max(int(hand["step"]), 0), len(bars) - 1)
        with self.server.state as state:
            state[POSITION] = way_at_depth_mm(steps, bars, step, float(hand["depth"]))
            if hand.get("ends"):
                state["depth_track_hand"] = None


def _rows(content: TrackContent, kept: TrackContent | None, found_old: bool) -> list[dict[str, Any]]:
    """Return the bars from top to bottom: reamers, cup, and what is compared with them."""
    rows = [
        _row("reamer", name, way.from_mm, way.to_mm, way.to_mm, way.words)
        for name, way in zip(content.names, content.reamers, strict=True)
    ]
    rows.append(
        _row("cup", content.cup_name, content.cup.from_mm, content.cup.to_mm, content.cup.to_mm, content.cup.words)
    )
    if kept is not None:
        words = f"{kept.cup.words}, {kept.left.words} (along its own axis)"
        rows.append(_row("kept", f"kept, {kept.cup_name}", kept.cup.from_mm, kept.cup.to_mm, kept.cup.to_mm, words))
    if content.found is not None:
        mark = content.found
        within = mark.within_mm or 0.0
        found = _row("found", "cup in pictures", mark.at_mm - within, mark.at_mm + within, mark.at_mm, mark.words)
        rows.append(found | {"old": "compared with an earlier plan" if found_old else ""})
    return rows


def _row(kind: str, name: str, from_mm: float, to_mm: float, stop_mm: float, words: str) -> dict[str, Any]:
    return {"kind": kind, "name": name, "from_mm": from_mm, "to_mm": to_mm, "stop_mm": stop_mm, "words": words}
