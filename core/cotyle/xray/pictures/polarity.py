"""Which way grey grows with attenuation: by the user, by the file, by the picture itself, and when to ask.

The picture's own evidence, as odds that light means attenuation:

- Ridges. Cortical bone seen along its surface makes thin bright lines in the attenuation, of which there are more
  than thin dark ones. Counted on the ranks of grey, so that no display curve matters.
- Ends of the scale. The open beam is the least attenuated and lies at the border of the field; metal and bone upon
  bone are the most attenuated and lie within.

The weights come from simulated pictures (docs/methods/pictures.md); they are no probability of a real picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from cotyle.errors import InputError
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.field import Field
from cotyle.xray.pictures.raw_picture import RawPicture

SURE = 0.95
"""How probable a polarity told from the picture alone must be to be taken; below, the user is asked."""

_SIDE_PX = 256


@dataclass(frozen=True)
class GreyEvidence:
    """What the picture itself says.

    Parameters
    ----------
    bone_light:
        Probability that light means attenuation, 0 to 1, by the weights of this module.
    ridges:
        Log ratio of strong thin light lines to dark ones.
    ends:
        How much more of the dark end than of the light end of the scale lies at the border of the field, -1 to 1.
    """

    bone_light: float
    ridges: float
    ends: float


RIDGES_WEIGHT, ENDS_WEIGHT = 4.0, 4.0


def grey_evidence(shown: npt.NDArray[np.float32], usable: npt.NDArray[np.bool_]) -> GreyEvidence:
    """Weigh what a picture of bone shows about its own polarity; ``usable`` as of its field."""
    step = max(1, min(shown.shape) // _SIDE_PX)
    grey = ndimage.gaussian_filter(shown, 0.6 * step)[::step, ::step]
    inside = usable[::step, ::step]
    ranks = np.full(grey.shape, 0.5)
    order = grey[inside].argsort(kind="stable").argsort(kind="stable")
    ranks[inside] = (order + 0.5) / max(len(order), 1)
    ridges = _ridges(ranks, inside)
    ends = _ends(ranks, inside)
    odds = float(np.clip(RIDGES_WEIGHT * ridges + ENDS_WEIGHT * ends, -30.0, 30.0))
    return GreyEvidence(float(1.0 / (1.0 + np.exp(-odds))), ridges, ends)


def _ridges(ranks: npt.NDArray[np.float64], inside: npt.NDArray[np.bool_]) -> float:
    core = ndimage.binary_erosion(inside, iterations=6)
    if core.sum() < 100:
        return 0.0
    width = 1.5
    down, across, mixed = (ndimage.gaussian_filter(ranks, width, order=order) for order in ((2, 0), (0, 2), (1, 1)))
    middle, spread = (down + across) / 2.0, np.hypot((down - across) / 2.0, mixed)
    light, dark = -(middle - spread)[core], (middle + spread)[core]
    top = [float(np.mean(np.sort(np.maximum(v, 0.0))[-max(1, len(v) // 50) :])) for v in (light, dark)]
    return float(np.log((top[0] + 1e-6) / (top[1] + 1e-6)))


def _ends(ranks: npt.NDArray[np.float64], inside: npt.NDArray[np.bool_]) -> float:
    depth = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    rim = inside & (depth <= 0.06 * min(inside.shape))
    if not rim.any():
        return 0.0
    smooth = ndimage.gaussian_filter(ranks, 2.0)
    dark, light = ((inside & (smooth < 0.1)), (inside & (smooth > 0.9)))
    shares = [float((end & rim).sum() / max(end.sum(), 1)) for end in (dark, light)]
    return shares[0] - shares[1]


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
        return seen, (f"Bone was taken to be shown {_word(seen)}: told from the picture alone.",)
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
