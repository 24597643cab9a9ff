"""How the pelvis lies, stands and sits, from what the user gave, the plan and the scan; each with how it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np

from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.decision.posture_questions import GivenPosture, PostureQuestions
from cotyle.case.plan_file import PostureChoice

SUPINE, STANDING, SEATED = "supine", "standing", "seated"
MOST_BACK_DEG, MOST_FORWARD_DEG, MEAN_CHANGE_DEG = -21.8, 8.4, -5.5
"""Change of anterior tilt from lying to standing: largest both ways and mean of 1517 patients; Pierrepont J et al.,
Bone Joint J 2017;99-B:184."""
SITS_BACK_DEG, SITS_BACK_SD_DEG = 22.2, 12.2
"""How far a pelvis tilts back from standing to sitting, mean and one deviation; Ochi H et al., Eur Spine J 2016."""


class Known(StrEnum):
    """How a tilt is known."""

    CT = "lying in the CT"
    GIVEN = "given"
    SLOPES = "from two sacral slopes"
    PLAN = "measured, from the plan"
    IN_PLAN = "given, in the plan"
    ASSUMED = "assumed"


@dataclass(frozen=True)
class KnownPosture:
    """Anterior tilt of the pelvis in a posture, one standard deviation (None: nobody knows it), and how it is known.

    ``turn_sd_deg``: one deviation of how the pelvis of the scan is turned about its left axis; none as it lay.
    ``from_plane``: the tilt is told against the anterior pelvic plane, whose error in the scan turns it as well.
    """

    name: str
    anterior_tilt_deg: float
    sd_deg: float | None
    how: Known
    turn_sd_deg: float | None
    from_plane: bool = False


def known_postures(pelvis: Pelvis, plan: PostureChoice, asked: PostureQuestions) -> dict[str, KnownPosture]:
    """Return the postures by name.

    A tilt that was given wins; else two sacral slopes tell a change of tilt; else it is what the plan says. Where the
    plan says nothing of sitting, seated is the mean of what was published. What is assumed is said so.
    """
    supine = KnownPosture(SUPINE, pelvis.anterior_tilt_deg, pelvis.uncertainty.anterior_tilt_deg, Known.CT, 0.0)
    if asked.supine.anterior_tilt_deg is not None:
        supine = _as_given(SUPINE, asked.supine.anterior_tilt_deg, asked.supine.sd_deg)
    standing = _given(STANDING, asked.standing, (supine, asked.supine))
    if standing is None:
        how, sd = (Known.PLAN, asked.standing.sd_deg) if plan.measured else (Known.ASSUMED, None)
        # the plan counts from how the pelvis lay in the CT
        standing = KnownPosture(STANDING, pelvis.anterior_tilt_deg + plan.standing_tilt_change_deg, sd, how, sd)
    seated = _given(SEATED, asked.seated, (standing, asked.standing), (supine, asked.supine))
    if seated is None and plan.seated_tilt_change_deg is not None:
        tilt = pelvis.anterior_tilt_deg + plan.seated_tilt_change_deg
        seated = KnownPosture(SEATED, tilt, asked.seated.sd_deg, Known.IN_PLAN, asked.seated.sd_deg)
    if seated is None:
        tilt = standing.anterior_tilt_deg - SITS_BACK_DEG
        seated = KnownPosture(SEATED, tilt, SITS_BACK_SD_DEG, Known.ASSUMED, SITS_BACK_SD_DEG)
    return {each.name: each for each in (supine, standing, seated)}


def _given(name: str, here: GivenPosture, *others: tuple[KnownPosture, GivenPosture]) -> KnownPosture | None:
    """Return what was given of a posture: its tilt, or its slope against that of another one whose tilt is known."""
    if here.anterior_tilt_deg is not None:
        return _as_given(name, here.anterior_tilt_deg, here.sd_deg)
    if here.sacral_slope_deg is None:
        return None
    for known, film in others:
        if film.sacral_slope_deg is None or known.how is Known.ASSUMED:
            continue
        tilt = known.anterior_tilt_deg + here.sacral_slope_deg - film.sacral_slope_deg
        films = np.hypot(here.sd_deg, film.sd_deg)
        spread, turn = (float(np.hypot(each or 0.0, films)) for each in (known.sd_deg, known.turn_sd_deg))
        return KnownPosture(name, tilt, spread, Known.SLOPES, turn, known.from_plane)
    return None


def _as_given(name: str, anterior_tilt_deg: float, sd_deg: float) -> KnownPosture:
    return KnownPosture(name, anterior_tilt_deg, sd_deg, Known.GIVEN, sd_deg, from_plane=True)


def sits_back_deg(postures: dict[str, KnownPosture], asked: PostureQuestions) -> float | None:
    """Return how far the pelvis tilts back from standing to sitting; None where films or numbers don't tell.

    Two slopes tell it even where no tilt is known.
    """
    standing, seated = asked.standing.sacral_slope_deg, asked.seated.sacral_slope_deg
    if standing is not None and seated is not None:
        return standing - seated
    if Known.ASSUMED in (postures[STANDING].how, postures[SEATED].how):
        return None
    return postures[STANDING].anterior_tilt_deg - postures[SEATED].anterior_tilt_deg


def slopes_against_tilts(
    postures: Mapping[str, KnownPosture], asked: PostureQuestions
) -> tuple[tuple[str, str, float], ...]:
    """Return pairs of postures whose sacral slopes say another change than their tilts, and by how much, degrees.

    Slopes change as much as tilts do (Legaye et al. 1998); what differs by more than two standard deviations of the
    difference is no error of reading. Only tilts that do not rest on slopes themselves are looked at.
    """
    films = {SUPINE: asked.supine, STANDING: asked.standing, SEATED: asked.seated}
    own = [name for name, each in postures.items() if each.how in (Known.CT, Known.GIVEN)]
    found = []
    for first, second in combinations(own, 2):
        before, after = films[first].sacral_slope_deg, films[second].sacral_slope_deg
        if before is None or after is None:
            continue
        differ = postures[second].anterior_tilt_deg - postures[first].anterior_tilt_deg - (after - before)
        spreads = [spread for name in (first, second) for spread in (postures[name].sd_deg or 0.0, films[name].sd_deg)]
        if abs(differ) > 2.0 * np.linalg.norm(spreads):
            found.append((first, second, float(differ)))
    return tuple(found)
