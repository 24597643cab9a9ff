"""What of the tolerance stands in the orientation field and on the depth track."""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.case.decision.tolerance import StopFact, ToleranceFacts
from cotyle.cup.depth_track import DepthTrack
from cotyle.cup.orientation import Definition
from cotyle.report.track_content import Mark

_DEFINITION, _FRAME = Definition.RADIOGRAPHIC, "supine"


@dataclass(frozen=True)
class Ends:
    """Where procedures end, (inclination, anteversion) in degrees: with the wall kept, and with less than its limit."""

    kept: tuple[tuple[float, float], ...]
    thin: tuple[tuple[float, float], ...]
    words: str


def ends_of(facts: ToleranceFacts, definition: Definition, frame: str) -> Ends | None:
    """Return where procedures end; None in another definition or frame than theirs, where nobody worked it out."""
    if definition is not _DEFINITION or frame != _FRAME:
        return None
    limit = facts.chances.least_wall_limit_mm
    kept = tuple((inclination, anteversion) for inclination, anteversion, wall in facts.shown if wall >= limit)
    thin = tuple((inclination, anteversion) for inclination, anteversion, wall in facts.shown if wall < limit)
    words = f"dots: {len(facts.shown)} procedures"
    return Ends(kept, thin, words + (f"; strong: wall under {limit:g} mm" if thin else ""))


def stop_mark(track: DepthTrack, stop: StopFact) -> Mark | None:
    """Return where the last reamer should stop for a picture; None where it need not, or where that is no help."""
    if not stop.before_seat_mm:
        return None
    at = track.bars[-1].to_mm - stop.before_seat_mm
    return Mark(at, None, f"stop at {at:.1f} for a picture")
