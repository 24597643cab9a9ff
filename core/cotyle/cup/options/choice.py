"""A few cups, each the best in one respect, none beaten by another in all; and what cover costs in depth.

The best in one respect is, of all cups as good there as the best one (to what counts as equal:
:data:`cotyle.cup.options.figures.OBJECTIVES`), the one of best balance. What is chosen by estimates is then measured by
the functions of ``measure``, and only that is kept: a cup that breaks a limit by these numbers gives way to the next
one, and one that another cup turns out to beat in all hands its name on to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from cotyle.cup.options.figures import NAMES, OBJECTIVES, Figures, dominates, gains, undominated
from cotyle.cup.options.latitude import Kept, Latitude, latitudes
from cotyle.cup.options.limits import MEDIAL, SIZE, SIZE_STEP_MM, SUPERIOR, Room
from cotyle.cup.options.search import Scale, Score, best_of, improved, scale_of, surveyed
from cotyle.cup.options.trials import BOUNDS, Bound, Question, Trials, room_left, tried
from cotyle.space.arrays import Array, BoolArray

SAME_HEIGHT_MM = 2.0
"""A centre so near to the wanted height counts as restored in height."""
HIGH_SHARE = 0.5
"""A high centre lies above this share of the largest rise."""
# What a limit is kept by once the measurement broke it.
_SPARE = np.array([0.1, 0.1, 0.003, 0.0])
_TRIES = 6
_CURVE_STEP_MM, _CURVE_STARTS = 2.0, 40

Remeasure = Callable[[Array], Figures]
"""Measures the cup of variables (6,) by the functions of ``measure``."""


class Favours(StrEnum):
    """What an option is the best in."""

    BALANCE = "balance"
    COVER = "cover"
    COVER_ABOVE = "cover-above"
    WALL = "wall"
    RIM_WALLS = "rim-walls"
    CENTER = "center"
    BONE = "bone"
    SAME_HEIGHT = "same-height"
    HIGH_CENTER = "high-center"


_BY_OBJECTIVE = {
    Favours.COVER: "cover",
    Favours.COVER_ABOVE: "cover_above",
    Favours.WALL: "wall_least_mm",
    Favours.RIM_WALLS: "rim_wall_mm",
    Favours.CENTER: "center_away_mm",
    Favours.BONE: "removed_ml",
}
USUAL = (Favours.BALANCE, *_BY_OBJECTIVE)
HEIGHTS = (Favours.SAME_HEIGHT, Favours.HIGH_CENTER)


@dataclass(frozen=True, eq=False)
class Option:
    """One cup: what it favours, its variables (6,) and its figures as measured.

    ``beaten``: another option is nowhere worse and somewhere better; kept only for comparison. ``binding``: limits that
    it reaches. How far each variable may go alone within the limits: ``in_favour`` until what the option favours gets
    worse, ``in_all`` until anything does.
    """

    favours: tuple[Favours, ...]
    variables: Array
    figures: Figures
    beaten: bool = False
    binding: tuple[Bound, ...] = ()
    in_favour: Latitude | None = None
    in_all: Latitude | None = None


@dataclass(frozen=True, eq=False)
class CurvePoint:
    """The most cover at one medial shift, with its figures as measured."""

    variables: Array
    figures: Figures


@dataclass(frozen=True, eq=False)
class Choice:
    """All options, none beaten but those kept for comparison; ``missing``: wishes that no measured cup fulfilled.

    ``curves``: the most cover for each medial shift, with the height of the centre restored and with it free.
    ``estimated`` tells how many cups were tried.
    """

    options: tuple[Option, ...]
    missing: tuple[Favours, ...]
    curves: dict[Favours, tuple[CurvePoint, ...]]
    estimated: int


NO_CHOICE = Choice((), (), {}, 0)


def choose(question: Question, remeasure: Remeasure, with_heights: bool = False, with_curves: bool = True) -> Choice:
    """Return the options for one hip.

    Parameters
    ----------
    with_heights:
        Also set the wanted height, with the cup as deep as it needs, against a high centre.

    Raises
    ------
    InputError
        ``option-pin``, ``option-limits``, ``option-no-room``.
    """
    where, found = surveyed(question)
    scale = scale_of(found, question.limits.enough_wall_mm)
    options: list[Option] = []
    missing: list[Favours] = []
    for wish in (*USUAL, *(HEIGHTS if with_heights else ())):
        found, option = _granted(question, remeasure, where, found, scale, wish)
        if option is None:
            missing.append(wish)
        else:
            options.append(option)
    curves: dict[Favours, tuple[CurvePoint, ...]] = {}
    if with_curves:
        restored = _curve(question, remeasure, where, found, Favours.SAME_HEIGHT)
        free = _curve(question, remeasure, where, found, Favours.HIGH_CENTER)
        curves = {Favours.SAME_HEIGHT: restored, Favours.HIGH_CENTER: _upper(free, restored)}
    kept = _undoubled(options, question.limits.enough_wall_mm)
    told = tuple(_with_latitude(question, where, option) for option in kept)
    return Choice(told, tuple(missing), curves, len(found.variables))


def _granted(
    question: Question, remeasure: Remeasure, where: Room, found: Trials, scale: Scale, wish: Favours
) -> tuple[Trials, Option | None]:
    """Return all cups tried and the one for a wish, as measured; None if none that was measured keeps the limits."""
    spare = np.zeros(len(BOUNDS))
    for _ in range(_TRIES):
        if wish is not Favours.BALANCE:
            found = improved(question, where, found, _most(question, scale, wish, spare))
        found = improved(question, where, found, _good_enough(question, found, scale, wish, spare), starts=1)
        place = best_of(found, _good_enough(question, found, scale, wish, spare))
        if place is None:
            return found, None
        variables = found.variables[place]
        figures = remeasure(variables)
        left = _left(question, variables, figures)
        if (left >= -1e-9).all():
            binding = tuple(bound for bound, room in zip(BOUNDS, left, strict=True) if room < _NEAR[bound])
            return found, Option((wish,), variables, figures, binding=binding)
        spare = spare + np.where(left < 0.0, _SPARE - left, 0.0)
    return found, None


# The next size would be too large.
_NEAR = {Bound.LEAST_WALL: 0.3, Bound.LARGEST_RISE: 0.5, Bound.LEAST_COVER: 0.01, Bound.LARGEST_SIZE: SIZE_STEP_MM}


def _with_latitude(question: Question, where: Room, option: Option) -> Option:
    """Return an option with how far it may be moved; balance favours all things at once."""
    everything, own = tuple(range(len(OBJECTIVES))), tried(question, option.variables[None])
    # a name may have come from a cup of another height that this one beats
    heights = [wish for wish in option.favours if _of_height(question, own, wish).all()]

    def kept(trials: Trials) -> BoolArray:
        return np.asarray(np.array([_of_height(question, trials, wish) for wish in heights], dtype=bool).all(axis=0))

    wishes = [wish for wish in option.favours if wish is not Favours.BALANCE]
    favoured = tuple({_objective(wish) for wish in wishes}) or everything
    left = _left(question, option.variables, option.figures)
    asked: tuple[tuple[tuple[int, ...], Kept], ...] = ((favoured, kept), (everything, kept))
    in_favour, in_all = latitudes(question, where, option.variables, left, *asked)
    return replace(option, in_favour=in_favour, in_all=in_all)


def _left(question: Question, variables: Array, figures: Figures) -> Array:
    """Room that limits leave by measured figures, (4,)."""
    least, rise, cover = (np.array([value]) for value in (figures.wall_least_mm, figures.rise_mm, figures.cover))
    return np.asarray(room_left(question.limits, least, rise, cover, variables[[SIZE]])[0])


def _of_height(question: Question, trials: Trials, wish: Favours) -> BoolArray:
    """Which cups a wish is about, by the height of their centre."""
    rise = trials.variables[:, SUPERIOR] - question.wanted[1]
    if wish is Favours.SAME_HEIGHT:
        return np.asarray(np.abs(rise) <= SAME_HEIGHT_MM + 1e-9)
    if wish is Favours.HIGH_CENTER:
        return np.asarray(rise >= HIGH_SHARE * question.limits.largest_rise_mm - 1e-9)
    return np.ones(len(rise), dtype=bool)


def _possible(question: Question, trials: Trials, wish: Favours, spare: Array) -> BoolArray:
    return np.asarray(
        (trials.room >= spare - 1e-9).all(axis=1)
        & np.isfinite(trials.gains).all(axis=1)
        & _of_height(question, trials, wish)
    )


def _objective(wish: Favours) -> int:
    return NAMES.index(_BY_OBJECTIVE.get(wish, "cover"))


def _most(question: Question, scale: Scale, wish: Favours, spare: Array) -> Score:
    """Score by the one objective alone, balance telling equal ones apart."""
    number = _objective(wish)

    def score(trials: Trials) -> Array:
        value = trials.gains[:, number] / scale.range[number] + 1e-4 * scale.balance(trials.gains)
        return np.where(_possible(question, trials, wish, spare), value, -np.inf)

    return score


def _good_enough(question: Question, found: Trials, scale: Scale, wish: Favours, spare: Array) -> Score:
    """Score by balance, of the cups that are as good in the one objective as the best one so far."""
    number, bar = _objective(wish), -np.inf
    if wish is not Favours.BALANCE:
        possible = _possible(question, found, wish, spare)
        if possible.any():
            bar = found.gains[possible, number].max() - OBJECTIVES[number].equal_within

    def score(trials: Trials) -> Array:
        good = _possible(question, trials, wish, spare) & (trials.gains[:, number] >= bar)
        return np.where(good, scale.balance(trials.gains), -np.inf)

    return score


def _curve(
    question: Question,
    remeasure: Remeasure,
    where: Room,
    found: Trials,
    height: Favours,
) -> tuple[CurvePoint, ...]:
    """Return the most cover at each medial shift that leaves room; ``HIGH_CENTER`` stands for any height."""
    wish = Favours.COVER if height is Favours.HIGH_CENTER else height
    score = _most(question, _PLAIN, wish, _SPARE)
    points = []
    for medial in np.arange(np.ceil(where.low[MEDIAL]), where.high[MEDIAL] + 1e-9, _CURVE_STEP_MM):
        near = found.only(np.abs(found.variables[:, MEDIAL] - medial) <= _CURVE_STEP_MM)
        best = near.variables[np.argsort(-score(near), kind="stable")[:_CURVE_STARTS]].copy()
        best[:, MEDIAL] = medial
        low, high = where.low.copy(), where.high.copy()
        low[MEDIAL] = high[MEDIAL] = medial
        moved = improved(question, Room(low, high), tried(question, best), score, starts=1)
        place = best_of(moved, score)
        if place is None:
            continue
        variables = moved.variables[place]
        figures = remeasure(variables)
        if (_left(question, variables, figures) >= -1e-9).all():
            points.append(CurvePoint(variables, figures))
    return tuple(points)


def _upper(*curves: tuple[CurvePoint, ...]) -> tuple[CurvePoint, ...]:
    """Return the better covered point of several curves at each medial shift, by measured figures."""
    best: dict[float, CurvePoint] = {}
    for point in (each for curve in curves for each in curve):
        medial = float(point.variables[MEDIAL])
        if medial not in best or point.figures.cover > best[medial].figures.cover:
            best[medial] = point
    return tuple(best[medial] for medial in sorted(best))


_PLAIN = Scale(np.zeros(len(OBJECTIVES)), np.ones(len(OBJECTIVES)))


def _undoubled(options: list[Option], enough_mm: float) -> list[Option]:
    """Return options without doubles and without those that another beats, whose names go to the one that beats them.

    One that stands for a height of the centre is kept though beaten, and marked.
    """
    worth = gains([each.figures for each in options], enough_mm)
    equal = np.array([each.equal_within for each in OBJECTIVES])
    top = undominated(worth).tolist()
    best = [n for n in range(len(options)) if top[n]]
    home: dict[int, int] = {}
    for n in best:
        alike = (m for m in home if home[m] == m and (np.abs(worth[m] - worth[n]) <= equal).all())
        home[n] = next(alike, n)
    beaten = [n for n in range(len(options)) if not top[n] and options[n].favours[0] in HEIGHTS]
    for n in range(len(options)):
        if not top[n]:
            better = [m for m in best if dominates(worth[m], worth[n])]
            home[n] = n if n in beaten else home[max(better, key=lambda m: float((worth[m] - worth[n]).sum()))]
    names: dict[int, list[Favours]] = {}
    for n, option in enumerate(options):
        names.setdefault(home[n], []).extend(option.favours)
    return [replace(options[n], favours=tuple(names[n]), beaten=n in beaten) for n in sorted(names)]
