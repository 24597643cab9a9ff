"""Which clicks an angle rests on, and how fast they move on the screen for each degree of it.

With the covariance C of the pose and e the slope of an angle, v = C e / (e' C e) is the likeliest change of the pose
when the angle changes by one degree. The information on the angle, 1 / (e' C e), is the sum of |A_i v|^2 over clicks
and prior (since C^-1 = A'A): each click's part of it is its share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from cotyle.space.arrays import Array
from cotyle.space.side import Side
from cotyle.xray.levelling.clicks import kind_of, part_words, side_of
from cotyle.xray.levelling.point_fit import PointFit


@dataclass(frozen=True)
class CueShare:
    """Share of one kind of click in what is known of an angle."""

    kind: str
    share: float


@dataclass(frozen=True)
class Support:
    """What an angle rests on.

    Parameters
    ----------
    shares:
        Kinds of clicks, the greatest first; with ``prior_share`` they add up to 1.
    prior_share:
        What is only the view's nominal pose.
    leading:
        The two things whose distance on the screen tells most, in words: "symphysis against sacral midline".
    mm_per_deg:
        How far these two move apart on the screen, at the hip, for each degree.
    """

    shares: tuple[CueShare, ...]
    prior_share: float
    leading: str
    mm_per_deg: float


def support_of(slope: Array, fit: PointFit, mm_per_px: Array) -> Support:
    """Return what an angle rests on; ``slope`` is its change in deg for each unknown of the fit."""
    spread = fit.covariance @ slope
    variance = float(slope @ spread)
    direction = spread / variance
    parts = ((fit.jacobian @ direction) ** 2).sum(axis=1) * variance
    shares: dict[str, float] = {}
    for each, part in zip(fit.sightings, parts, strict=True):
        shares[kind_of(each.name)] = shares.get(kind_of(each.name), 0.0) + float(part)
    leading, apart = _leading_pair(direction, fit, mm_per_px)
    return Support(
        shares=tuple(CueShare(kind, shares[kind]) for kind in sorted(shares, key=lambda kind: -shares[kind])),
        prior_share=max(0.0, 1.0 - float(parts.sum())),
        leading=leading,
        mm_per_deg=apart,
    )


def _leading_pair(direction: Array, fit: PointFit, mm_per_px: Array) -> tuple[str, float]:
    """Return the pair of things whose distance carries most information, and how far they move apart per degree.

    Two things known to the precisions w and v (per mm^2) that move apart by d tell d^2 w v / (w + v). Pairs are two
    kinds, or left and right of one, along the picture's columns or rows.
    """
    groups: dict[tuple[str, Side | None], list[int]] = {}
    for index, each in enumerate(fit.sightings):
        part = part_words(each.name)
        groups.setdefault((part, None), []).append(index)
        if side_of(each.name) is not None:
            groups.setdefault((part, side_of(each.name)), []).append(index)
    best = (-1.0, "", 0.0)
    for axis in np.diag(mm_per_px**-1.0):
        seen = [_motion_along(index, axis, direction, fit) for index in range(len(fit.sightings))]
        told = {key: _joined([seen[index] for index in indices]) for key, indices in groups.items()}
        for (first, one), (second, other) in combinations(groups, 2):
            if (one is None) != (other is None) or (one is not None and (first != second or one == other)):
                continue
            (motion, precise), (motion2, precise2) = told[first, one], told[second, other]
            if min(precise, precise2) <= 0:
                continue
            apart = abs(motion - motion2)
            information = apart**2 * precise * precise2 / (precise + precise2)
            words = f"{first} against {second}" if one is None else f"{first}, left against right"
            best = max(best, (information, words, apart))
    return best[1], best[2]


def _motion_along(index: int, axis_px: Array, direction: Array, fit: PointFit) -> tuple[float, float]:
    """Return how far a click moves along columns or rows for a degree, mm, and how precisely that is seen, 1/mm^2.

    ``axis_px`` is the pixels of one mm along the axis. Of a line, a motion along the axis is one across it seen aslant.
    """
    each = fit.sightings[index]
    whitening = fit.whitening[index]
    whitened = fit.jacobian[index] @ direction
    precision = float(((whitening @ axis_px) ** 2).sum())
    if each.across is not None:
        along = float(whitening[0] @ axis_px)
        return (float(whitened[0]) / along, precision) if abs(along) > 1e-6 else (0.0, 0.0)
    motion_px = np.linalg.solve(whitening, whitened)
    return float(motion_px @ axis_px / (axis_px @ axis_px)), precision


def _joined(seen: Sequence[tuple[float, float]]) -> tuple[float, float]:
    weights = np.array([precise for _, precise in seen])
    total = float(weights.sum())
    return (float(weights @ [motion for motion, _ in seen]) / total, total) if total > 0 else (0.0, 0.0)
