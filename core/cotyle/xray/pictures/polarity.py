"""Which way grey grows with attenuation: by the user, by the file, by the picture itself, and when to ask.

The picture's own evidence is counted on the ranks of grey, so that no display curve matters:

- ``ridges``: cortical bone seen along its surface makes thin lines of more attenuation, stronger than those of less;
- ``lone_ends``: metal and bone upon bone are the most attenuated and lie within the field; the least attenuated is the
  open beam or thin flesh, which reaches its border;
- ``border``: the body thins out towards the border.

The weights come from simulated pictures (docs/methods/pictures.md): what they give is no probability of a real picture,
only a measure that was right on those.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.field import Field
from cotyle.xray.pictures.raw_picture import RawPicture

SURE = 0.95
"""How probable a polarity told from the picture alone must be to be taken; below, the user is asked."""

_SIDE_PX = 256


@dataclass(frozen=True)
class GreyEvidence:
    """What the picture itself says: each figure positive where light means attenuation, and turned by inverting grey.

    Parameters
    ----------
    bone_light:
        The figures weighed together, as a probability from 0 to 1 that light means attenuation.
    ridges:
        Log ratio of strong thin light lines to dark ones, at two widths.
    lone_ends:
        Share of the field, times ten, by which light parts that don't reach the border outweigh dark ones.
    border:
        How much more of the dark quarter than of the light quarter lies at the border, and by how much the middle is
        lighter than it, in ranks of 0 to 1.
    """

    bone_light: float
    ridges: tuple[float, float]
    lone_ends: float
    border: tuple[float, float]


_WEIGHTS = (4.0, 5.0, 5.0, 5.0, 6.0)
_MOST = 0.5
_UNSURE_ODDS = 2.0
_RIM_SHARE = 0.06
_WIDTHS = (1.5, 3.0)


def grey_evidence(shown: npt.NDArray[np.float32], usable: npt.NDArray[np.bool_]) -> GreyEvidence:
    """Weigh what a picture of bone shows about its own polarity; ``usable`` as of its field."""
    step = max(1, min(shown.shape) // _SIDE_PX)
    grey = ndimage.gaussian_filter(shown, 0.6 * step)[::step, ::step]
    inside = usable[::step, ::step]
    ranks = np.full(grey.shape, 0.5)
    if inside.any():
        _, place, count = np.unique(grey[inside], return_inverse=True, return_counts=True)
        ranks[inside] = (np.cumsum(count) - count / 2.0)[place] / inside.sum()
    depth = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    rim = inside & (depth <= _RIM_SHARE * min(inside.shape))
    ridges = (_ridges(ranks, inside, _WIDTHS[0]), _ridges(ranks, inside, _WIDTHS[1]))
    lone = 10.0 * (_lone(inside & (ranks > 0.94), rim) - _lone(inside & (ranks < 0.06), rim)) / max(inside.sum(), 1)
    border = _border(ranks, inside, rim, depth)
    figures = np.clip([*ridges, lone, *border], -_MOST, _MOST)
    odds = float(np.dot(_WEIGHTS, figures))
    if np.dot(_WEIGHTS[:2], figures[:2]) * np.dot(_WEIGHTS[2:], figures[2:]) <= 0:
        odds = float(np.clip(odds, -_UNSURE_ODDS, _UNSURE_ODDS))  # lines and ends of the scale say opposite things
    return GreyEvidence(float(1.0 / (1.0 + np.exp(-odds))), ridges, float(lone), border)


def _ridges(ranks: Array, inside: npt.NDArray[np.bool_], width: float) -> float:
    core = ndimage.binary_erosion(inside, iterations=int(4 * width))
    if core.sum() < 100:
        return 0.0
    down, across, mixed = (ndimage.gaussian_filter(ranks, width, order=order) for order in ((2, 0), (0, 2), (1, 1)))
    middle, spread = (down + across) / 2.0, np.hypot((down - across) / 2.0, mixed)
    light, dark = -(middle - spread)[core], (middle + spread)[core]
    top = [float(np.mean(np.sort(np.maximum(v, 0.0))[-max(1, len(v) // 50) :])) for v in (light, dark)]
    return float(np.log((top[0] + 1e-6) / (top[1] + 1e-6)))


def _lone(end: npt.NDArray[np.bool_], rim: npt.NDArray[np.bool_]) -> float:
    """Return how many pixels of one end of the scale lie in parts that don't reach the border."""
    labels, count = ndimage.label(end)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[np.unique(labels[rim])] = 0
    return float(sizes[1:].sum())


def _border(
    ranks: Array, inside: npt.NDArray[np.bool_], rim: npt.NDArray[np.bool_], depth: Array
) -> tuple[float, float]:
    deep = depth >= 0.5 * depth.max()
    if not rim.any() or not deep.any():
        return 0.0, 0.0
    smooth = ndimage.gaussian_filter(ranks, 1.5)
    ends = inside & (smooth < 0.25), inside & (smooth > 0.75)
    dark, light = (float((end & rim).sum() / max(end.sum(), 1)) for end in ends)
    return dark - light, float(ranks[deep].mean() - ranks[rim].mean())


def decide_polarity(raw: RawPicture, field: Field, said: Polarity | None = None) -> tuple[Polarity, tuple[str, ...]]:
    """Return how a picture shows bone, and a sentence where that rests on something weak.

    Raises
    ------
    InputError
        ``picture-polarity`` if nothing tells it, or file and picture clearly contradict each other.
    """
    evidence = grey_evidence(raw.shown, field.usable)
    seen = Polarity.BONE_LIGHT if evidence.bone_light >= 0.5 else Polarity.BONE_DARK
    sure = max(evidence.bone_light, 1.0 - evidence.bone_light)
    if said is not None:
        against = seen is not said and sure >= SURE
        return said, ("The picture itself looks as if bone were shown the other way round.",) if against else ()
    if raw.light_is_attenuation is None:
        if sure < SURE:
            raise _ask("neither the file nor the picture tells whether bone is shown light or dark")
        return seen, (
            f"Bone was taken to be shown {_word(seen)}: told from the picture alone, {100 * sure:.0f} % sure.",
        )
    told = Polarity.BONE_LIGHT if raw.light_is_attenuation else Polarity.BONE_DARK
    if seen is not told and sure >= SURE:
        raise _ask(f"by {raw.told_by} bone is shown {_word(told)}, by the picture itself {_word(seen)}")
    if not raw.binding:
        return told, (f"Bone was taken to be shown {_word(told)}, by {raw.told_by}.",)
    return told, ()


def _ask(what: str) -> InputError:
    return InputError("picture-polarity", what, "Look at it and say: bone_light or bone_dark")


def _word(polarity: Polarity) -> str:
    return "light" if polarity is Polarity.BONE_LIGHT else "dark"
