"""From rough poses to matches worth refining: a narrow cloud first, then, where little is explained, a wide search."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.bone_model import BoneModel
from cotyle.xray.registration.edges import coarse_edge_picture, edge_picture
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.quality import quality_of
from cotyle.xray.registration.refine import Match, refine
from cotyle.xray.registration.search import search
from cotyle.xray.registration.simulated_edges import View
from cotyle.xray.registration.strong_edges import strong_edges
from cotyle.xray.registration.sweep import sweep

_CLOUDS = ((64, False), (64, True), (96, True), (96, False))
"""Longest side of the picture, and whether strong edges are left out, of one narrow cloud after another."""
_COARSE_MM, _CLOUD = 3.2, 720
"""Voxel size of the bone and number of pictures of a cloud."""
_SWEEP_PX = 64
_WIDE, _CANDIDATES, _POLISHED, _POLISH_WIDTH, _REFINED = 2.5, 12, 160, 0.4, 5
"""The wide search: how much wider than said, places looked at, pictures and width of the cloud about each, and how many
of the best that differ are refined."""
_SWEPT_FROM_DEG = 4.0
"""A rough pose that is better known than this is not searched widely."""

FIRST_PX, FIRST_MM = 128, 1.6
GOOD_ENOUGH = 0.6
"""Share explained at the first fine level that makes a further search needless."""
_KEPT = 3
"""How many matches are handed on where none is good enough."""


@dataclass(frozen=True, eq=False)
class Shown:
    """A real picture and the rough pose of its C-arm, of the size of the picture."""

    picture: Radiograph
    carm: CArm

    def fine(self, longest_px: int) -> View:
        """Return the view at a size, for the fine match."""
        carm = self.carm.resized(of_longest(self.picture.size, longest_px))
        return View(edge_picture(self.picture.attenuation, self.picture.usable, carm.size), carm)

    def coarse(self, longest_px: int, without_strong: bool) -> View:
        """Return the view at a size, for the coarse search, with or without edges that may be metal's."""
        carm = self.carm.resized(of_longest(self.picture.size, longest_px))
        seen, usable = self.picture.attenuation, self.picture.usable
        aside = strong_edges(seen, usable) if without_strong else None
        return View(coarse_edge_picture(seen, usable, carm.size, aside), carm)


def first_matches(
    shown: Sequence[Shown], handle: Handle, sd: Array, bone: BoneModel, seed: int, enough: float = GOOD_ENOUGH
) -> list[Match]:
    """Return matches at the first fine level, best first: one where it explains enough, else the best few.

    Parameters
    ----------
    shown:
        Pictures; several are of one pelvis that lay still, their rough poses as the machine tells its own motion.
    handle, sd:
        What the six numbers refer to, and how well the rough pose is known.
    bone:
        The pelvis.
    seed:
        The same seed finds the same.
    enough:
        Share explained that makes a further search needless.
    """
    views = [each.fine(FIRST_PX) for each in shown]
    found: list[tuple[float, Match]] = []
    for start in _starts(shown, handle, sd, bone, seed):
        match = refine(views, bone.levels[FIRST_MM], handle.pivot_lps_mm, handle.motion(start))
        found.append((explained(views, match), match))
        if found[-1][0] > enough:
            return [match]
    found.sort(key=lambda each: -each[0])
    places = _distinct([handle.numbers_of(match.motion) for _, match in found], 0.1 * sd)
    return [found[place][1] for place in places[:_KEPT]]


def _distinct(numbers: Sequence[Array], apart: Array) -> list[int]:
    """Return which of some numbers differ from all before them by more than is said, in one of the six."""
    kept: list[int] = []
    for place, each in enumerate(numbers):
        if all((np.abs(each - numbers[other]) > apart).any() for other in kept):
            kept.append(place)
    return kept


def explained(views: Sequence[View], match: Match) -> float:
    """Return the share of edges that a match explains, the mean of its views."""
    pairs = zip(views, match.linear, strict=True)
    return float(np.mean([quality_of(each.fixed, linear).explained for each, linear in pairs]))


def _starts(shown: Sequence[Shown], handle: Handle, sd: Array, bone: BoneModel, seed: int) -> Iterator[Array]:
    """Yield numbers to refine from, the cheap ones first."""
    coarse = bone.levels[_COARSE_MM]
    for attempt, (longest, without_strong) in enumerate(_CLOUDS):
        views = [each.coarse(longest, without_strong) for each in shown]
        yield search(views, coarse, handle, sd, _CLOUD, len(_CLOUDS) * seed + attempt)[0]
    if max(sd[:3]) < _SWEPT_FROM_DEG:
        return
    for without_strong in (False, True):
        views = [each.coarse(_SWEEP_PX, without_strong) for each in shown]
        share = _CANDIDATES // len(views)
        places = [place for each in views for place in sweep(each, coarse, handle, sd, _WIDE, share)]
        polished = [
            search(views, coarse, handle, sd, _POLISHED, number, _WIDE, place, _POLISH_WIDTH)
            for number, place in enumerate(places)
        ]
        polished.sort(key=lambda each: -each[1])
        best = [numbers for numbers, _ in polished]
        yield from (best[place] for place in _distinct(best, 0.3 * sd)[:_REFINED])


def of_longest(size: tuple[int, int], longest: int) -> tuple[int, int]:
    """Return columns and rows of a smaller copy; a picture is never made larger."""
    factor = min(1.0, longest / max(size))
    return max(8, round(size[0] * factor)), max(8, round(size[1] * factor))
