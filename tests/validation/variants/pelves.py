"""Other pelves: healed askew, stiff, cut by the end of the scan, small, large, spurred, and one that is not drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from cotyle.anatomy.pelvis import Posture
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.digitised_skeleton import make_digitised_subject
from cotyle_sample.other_pelves import (
    HealedFracture,
    Spur,
    resized,
    with_fused_sacroiliac,
    with_healed_fracture,
    with_spurs,
)
from cotyle_sample.scan_window import cut_scan
from cotyle_sample.scanner import scan
from cotyle_sample.subject import Subject, make_subject
from cotyle_sample.truth import Truth

from tests.validation.hard_trial import HardTrial

VOXEL_MM = (0.8, 0.8, 1.0)
WIDE_VOXEL_MM = (0.98, 0.98, 1.0)
LEFT, RIGHT = Side.LEFT, Side.RIGHT

Made = Callable[[], tuple[Volume, Truth]]


@dataclass(frozen=True)
class Cut:
    """Where the scan ends too early. All in mm; None leaves that end.

    below_crest: how far under the top of the hip bones. beyond: name of a landmark that stays outside, and by how much,
    at the upper, the lower or the side's end of the box.
    """

    below_crest_mm: float | None = None
    above: tuple[str, float] | None = None
    below: tuple[str, float] | None = None
    aside: tuple[str, float] | None = None

    def of(self, volume: Volume, truth: Truth) -> tuple[Volume, Truth]:
        """Cut a scan."""
        low, high = np.full(3, -np.inf), np.full(3, np.inf)
        if self.below_crest_mm is not None:
            tops = [truth.surfaces[f"{side}_hip_bone"].bounds_lps_mm[1][2] for side in Side]
            high[2] = max(tops) - self.below_crest_mm
        if self.above is not None:
            high[2] = truth.landmarks[self.above[0]][2] - self.above[1]
        if self.below is not None:
            low[2] = truth.landmarks[self.below[0]][2] + self.below[1]
        if self.aside is not None:
            x = truth.landmarks[self.aside[0]][0]
            end = high if x > 0 else low
            end[0] = x - np.sign(x) * self.aside[1]
        return cut_scan(volume, truth, low, high)


def drawn(seed: int, size_sd: float = 0.0, off_model_mm: float = 0.0, side: Side = RIGHT) -> Subject:
    """A subject of the model with the size of its first mode."""
    weights = make_subject(seed=seed).weights_sd.copy()
    if size_sd:
        weights[0] = size_sd
    return make_subject(seed, weights, off_model_mm=off_model_mm, affected_side=side)


def broken(seed: int, posture: Posture, fracture: HealedFracture, **shape: float) -> tuple[Volume, Truth]:
    """A ring that healed askew."""
    return scan(with_healed_fracture(drawn(seed, **shape), fracture), posture, VOXEL_MM, seed=seed)


def stiff(seed: int, posture: Posture, sides: tuple[Side, ...], **shape: float) -> tuple[Volume, Truth]:
    """Bone across one or both sacroiliac joints."""
    return scan(with_fused_sacroiliac(drawn(seed, **shape), sides), posture, VOXEL_MM, seed=seed)


def cut(seed: int, posture: Posture, where: Cut, **shape: float) -> tuple[Volume, Truth]:
    """A scan that ends too early."""
    return where.of(*scan(drawn(seed, **shape), posture, VOXEL_MM, seed=seed))


def small(seed: int, posture: Posture, size: float, cortex_scale: float, **shape: float) -> tuple[Volume, Truth]:
    """A child's size with a thin cortex, in small voxels."""
    subject = resized(drawn(seed, **shape), size, cortex_scale)
    return scan(subject, posture, (0.7, 0.7, 1.0), seed=seed, across_mm=358.4)


def large(
    seed: int, posture: Posture, size: float, fat_mm: float, noise_hu: float, **shape: float
) -> tuple[Volume, Truth]:
    """A very large person: wide field of view, thick fat, more noise."""
    subject = resized(drawn(seed, **shape), size, size)
    return scan(subject, posture, WIDE_VOXEL_MM, noise_hu=noise_hu, seed=seed, across_mm=500.0, more_fat_mm=fat_mm)


def spurred(seed: int, posture: Posture, spurs: tuple[Spur, ...], **shape: float) -> tuple[Volume, Truth]:
    """Spurs of bone beside landmarks of the pelvic plane."""
    return scan(with_spurs(drawn(seed, **shape), spurs), posture, VOXEL_MM, seed=seed)


def digitised(seed: int, posture: Posture, size: tuple[float, float, float], own_mm: float) -> tuple[Volume, Truth]:
    """A skeleton that was digitised, in another build."""
    return scan(make_digitised_subject(seed, size, own_mm), posture, VOXEL_MM, seed=seed)


_MAKERS: Mapping[str, Mapping[str, tuple[Made, Side | None, str | None]]] = {
    "asymmetric ring": {
        "ring-1": (
            partial(broken, 501, Posture(8.0, 4.0, -3.0), HealedFracture(RIGHT, 5.0, (1.0, 0.0, 0.0), 8.0)),
            RIGHT,
            None,
        ),
        "ring-2": (
            partial(
                broken, 502, Posture(-6.0, -10.0, 5.0), HealedFracture(LEFT, 5.0, (0.6, 0.2, 0.8), 6.0), size_sd=-1.0
            ),
            LEFT,
            None,
        ),
        "ring-3": (
            partial(
                broken,
                503,
                Posture(12.0, 6.0, 8.0),
                HealedFracture(LEFT, -5.0, (0.9, -0.3, 0.3), -10.0, 4.0),
                size_sd=1.0,
                off_model_mm=2.0,
            ),
            RIGHT,
            None,
        ),
    },
    "fused sacroiliac joint": {
        "fused-1": (partial(stiff, 511, Posture(10.0, -5.0, 4.0), (RIGHT,)), RIGHT, None),
        "fused-2": (partial(stiff, 512, Posture(-8.0, 8.0, -6.0), (LEFT, RIGHT), size_sd=1.3), LEFT, None),
        "fused-3": (partial(stiff, 513, Posture(4.0, 11.0, 3.0), (LEFT, RIGHT), off_model_mm=2.0), RIGHT, None),
    },
    "field of view cut at the crest": {
        "crest-1": (partial(cut, 521, Posture(9.0, 3.0, -2.0), Cut(20.0)), RIGHT, None),
        "crest-2": (partial(cut, 522, Posture(-10.0, -6.0, 6.0), Cut(30.0), size_sd=-1.2), LEFT, None),
        "crest-3": (partial(cut, 523, Posture(12.0, 9.0, -8.0), Cut(40.0), off_model_mm=2.0), RIGHT, None),
    },
    "field of view cut at one ASIS": {
        "asis-1": (partial(cut, 531, Posture(7.0, 2.0, 2.0), Cut(aside=("asis_left", 5.0))), RIGHT, None),
        "asis-2": (
            partial(cut, 532, Posture(3.0, -5.0, -9.0), Cut(above=("asis_right", 6.0)), size_sd=1.0),
            RIGHT,
            None,
        ),
        "asis-3": (
            partial(cut, 533, Posture(-5.0, 8.0, 4.0), Cut(aside=("asis_right", 12.0)), off_model_mm=2.0),
            LEFT,
            None,
        ),
        "asis-4": (partial(cut, 534, Posture(10.0, -3.0, 7.0), Cut(above=("asis_left", 12.0))), LEFT, None),
    },
    "field of view cut below the teardrop": {
        "low-1": (partial(cut, 541, Posture(8.0, 3.0, -4.0), Cut(below=("teardrop_right", -6.0))), RIGHT, None),
        "low-2": (
            partial(cut, 542, Posture(11.0, -7.0, 7.0), Cut(below=("pubic_tubercle_right", 3.0)), size_sd=-1.0),
            LEFT,
            None,
        ),
        "low-3": (
            partial(cut, 543, Posture(4.0, 6.0, -8.0), Cut(below=("pubic_tubercle_left", 5.0)), off_model_mm=2.0),
            RIGHT,
            None,
        ),
    },
    "child-size": {
        "child-1": (partial(small, 551, Posture(10.0, 4.0, -3.0), 0.80, 0.8), RIGHT, None),
        "child-2": (partial(small, 552, Posture(-4.0, -8.0, 5.0), 0.76, 0.9), LEFT, None),
        "child-3": (partial(small, 553, Posture(12.0, 6.0, -6.0), 0.72, 0.9, off_model_mm=2.0), RIGHT, None),
    },
    "very large": {
        "large-1": (partial(large, 561, Posture(12.0, -4.0, 3.0), 1.15, 20.0, 28.0), RIGHT, None),
        "large-2": (partial(large, 562, Posture(-9.0, 7.0, -5.0), 1.20, 30.0, 34.0), LEFT, None),
        "large-3": (partial(large, 563, Posture(5.0, 10.0, 6.0), 1.25, 25.0, 34.0, off_model_mm=2.0), RIGHT, None),
    },
    "not from the shape model": {
        "digitised-1": (partial(digitised, 571, Posture(10.0, 4.0, -3.0), (1.0, 1.0, 1.0), 0.5), RIGHT, None),
        "digitised-2": (partial(digitised, 572, Posture(-8.0, -7.0, 6.0), (1.06, 0.95, 1.0), 1.0), LEFT, None),
        "digitised-3": (partial(digitised, 573, Posture(5.0, 11.0, 4.0), (0.94, 1.0, 1.05), 2.0), RIGHT, None),
    },
    "spur beside a landmark": {
        "spur-1": (partial(spurred, 591, Posture(8.0, -4.0, 3.0), (Spur("asis_left"),)), RIGHT, None),
        "spur-2": (
            partial(
                spurred,
                592,
                Posture(-5.0, 6.0, -4.0),
                (Spur("pubic_tubercle_right", 5.0, 4.0, (8.0, 0.0, 0.0)),),
                size_sd=1.0,
            ),
            LEFT,
            None,
        ),
        "spur-3": (
            partial(
                spurred, 593, Posture(4.0, 8.0, 6.0), (Spur("asis_right", 6.0, 5.0, (3.0, 0.0, 6.0)),), off_model_mm=2.0
            ),
            LEFT,
            None,
        ),
    },
    "field of view without an ASIS": {
        "no-asis-1": (
            partial(cut, 601, Posture(6.0, 2.0, -1.0), Cut(above=("asis_right", 20.0))),
            RIGHT,
            "field-of-view",
        ),
        "no-asis-2": (
            partial(cut, 602, Posture(-4.0, -5.0, 3.0), Cut(above=("asis_right", 15.0)), size_sd=-1.0),
            LEFT,
            "field-of-view",
        ),
        "no-asis-3": (
            partial(cut, 603, Posture(9.0, 6.0, 2.0), Cut(above=("asis_left", 25.0)), off_model_mm=2.0),
            RIGHT,
            "field-of-view",
        ),
    },
    "field of view cut through the socket": {
        "socket-1": (
            partial(cut, 581, Posture(8.0, -3.0, 4.0), Cut(aside=("hip_center_right", 8.0))),
            RIGHT,
            "side-not-in-scan",
        ),
        "socket-2": (
            partial(cut, 582, Posture(2.0, 6.0, -3.0), Cut(below=("hip_center_left", 10.0)), off_model_mm=2.0),
            LEFT,
            "side-not-in-scan",
        ),
        "socket-3": (
            partial(cut, 583, Posture(-6.0, 3.0, 5.0), Cut(above=("hip_center_left", -15.0)), size_sd=-1.0),
            LEFT,
            "side-not-in-scan",
        ),
    },
}

TRIALS = tuple(
    HardTrial(variant, name, make, affected, refused)
    for variant, trials in _MAKERS.items()
    for name, (make, affected, refused) in trials.items()
)
