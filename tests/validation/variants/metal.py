"""Hips replaced before: well-fixed shells, loose shells, cemented cups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from cotyle.anatomy.pelvis import Posture
from cotyle.cup.orientation import Orientation
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.hip_replacements import Fixation, Replacement
from cotyle_sample.scanner import scan
from cotyle_sample.subject import Variant, make_subject
from cotyle_sample.truth import Truth

from tests.validation.hard_trial import HardTrial

TWELVE_BITS_HU = 3071


@dataclass(frozen=True)
class ReplacedHip:
    """How the subject is made and scanned. ``affected`` is the side whose cup counts."""

    seed: int
    posture: Posture
    affected: Side
    replacements: Mapping[Side, Replacement]
    size_sd: float = 0.0
    off_model_mm: float = 0.0
    hu_ceiling: int | None = None
    streak_strength: float = 1.0
    voxel_mm: tuple[float, float, float] = (0.8, 0.8, 1.0)

    def make(self) -> tuple[Volume, Truth]:
        """Build the subject and scan it."""
        weights = make_subject(seed=self.seed).weights_sd.copy()
        if self.size_sd:
            weights[0] = self.size_sd
        subject = make_subject(
            self.seed,
            weights,
            Variant.HEALTHY,
            self.off_model_mm,
            self.affected,
            replacements=self.replacements,
        )
        return scan(
            subject,
            self.posture,
            self.voxel_mm,
            seed=self.seed,
            hu_ceiling=self.hu_ceiling,
            streak_strength=self.streak_strength,
        )


FIXED = Replacement(Fixation.FIXED, screws=2)
HIPS: Mapping[str, Mapping[str, ReplacedHip]] = {
    "well-fixed cup": {
        "fixed-1": ReplacedHip(
            301,
            Posture(8.0, 5.0, -3.0),
            Side.RIGHT,
            {Side.RIGHT: Replacement(Fixation.FIXED, Orientation(44.0, 12.0), screws=3, screw_diameter_mm=6.0)},
        ),
        "fixed-2": ReplacedHip(
            302,
            Posture(-12.0, -6.0, 5.0),
            Side.LEFT,
            {
                Side.LEFT: Replacement(
                    Fixation.FIXED,
                    Orientation(36.0, 22.0),
                    screws=2,
                    screw_diameter_mm=4.5,
                    screw_length_mm=25.0,
                    shell_thickness_mm=3.0,
                    head_radius_mm=18.0,
                    rim_short_mm=1.5,
                )
            },
            size_sd=1.2,
            hu_ceiling=TWELVE_BITS_HU,
        ),
        "fixed-3": ReplacedHip(
            303,
            Posture(3.0, 11.0, 4.0),
            Side.LEFT,
            {
                Side.LEFT: Replacement(Fixation.FIXED, Orientation(40.0, 5.0), screws=2, screw_length_mm=40.0),
                Side.RIGHT: FIXED,
            },
            size_sd=-0.8,
            off_model_mm=2.0,
            streak_strength=1.3,
        ),
    },
    "loose cup": {
        "loose-1": ReplacedHip(
            311,
            Posture(6.0, -4.0, 2.0),
            Side.RIGHT,
            {Side.RIGHT: Replacement(Fixation.LOOSE, Orientation(57.0, 28.0), 2.0, (0.8, -0.5, 1.2))},
        ),
        "loose-2": ReplacedHip(
            312,
            Posture(-8.0, 9.0, -6.0),
            Side.LEFT,
            {Side.LEFT: Replacement(Fixation.LOOSE, Orientation(30.0, 2.0), 3.0, (3.0, -1.5, -1.5), screws=2)},
            size_sd=-1.0,
            hu_ceiling=TWELVE_BITS_HU,
        ),
        "loose-3": ReplacedHip(
            313,
            Posture(12.0, -10.0, 3.0),
            Side.RIGHT,
            {
                Side.RIGHT: Replacement(
                    Fixation.LOOSE, Orientation(50.0, 33.0), 1.2, (0.3, 0.2, 0.6), head_radius_mm=16.0
                ),
                Side.LEFT: FIXED,
            },
            off_model_mm=2.0,
        ),
    },
    "cemented cup": {
        "cemented-1": ReplacedHip(
            321,
            Posture(4.0, 6.0, -5.0),
            Side.RIGHT,
            {Side.RIGHT: Replacement(Fixation.CEMENTED, Orientation(45.0, 15.0), 3.0, stem_cement_mm=2.5)},
        ),
        "cemented-2": ReplacedHip(
            322,
            Posture(-6.0, -11.0, 7.0),
            Side.LEFT,
            {
                Side.LEFT: Replacement(
                    Fixation.CEMENTED,
                    Orientation(38.0, 8.0),
                    4.0,
                    (0.6, 0.4, -0.7),
                    head_radius_mm=11.0,
                    cement_hu=1500.0,
                    stem_cement_mm=3.0,
                )
            },
            size_sd=1.0,
            hu_ceiling=TWELVE_BITS_HU,
        ),
        "cemented-3": ReplacedHip(
            323,
            Posture(10.0, 3.0, 10.0),
            Side.RIGHT,
            {
                Side.RIGHT: Replacement(
                    Fixation.CEMENTED,
                    Orientation(50.0, 20.0),
                    2.2,
                    (0.2, -0.4, 0.3),
                    cement_hu=600.0,
                    stem_cement_mm=2.0,
                )
            },
            size_sd=-0.8,
            off_model_mm=2.0,
        ),
    },
}

TRIALS: tuple[HardTrial, ...] = tuple(
    HardTrial(variant, name, partial(ReplacedHip.make, hip), hip.affected)
    for variant, hips in HIPS.items()
    for name, hip in hips.items()
)
