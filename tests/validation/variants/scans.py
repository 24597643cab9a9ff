"""Scans that show less: soft bone, thick slices, other kernels, little dose, bright fluid and bone in soft parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

from cotyle.anatomy.pelvis import Posture
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.acquisition import SHARP, SOFT, USUAL_SCANNER, Kernel, Scanner
from cotyle_sample.bone_islands import BoneIsland
from cotyle_sample.bone_matter import Osteopenia
from cotyle_sample.scanner import scan
from cotyle_sample.subject import make_subject
from cotyle_sample.tissue import USUAL_ORGANS, Organs
from cotyle_sample.truth import Truth

from tests.validation.hard_trial import HardTrial

VOXEL_MM = (0.8, 0.8, 1.0)
THICK = Scanner(layers=4)


@dataclass(frozen=True)
class ScannedSubject:
    """A sound hip, and how it is scanned."""

    seed: int
    posture: Posture
    scanner: Scanner = USUAL_SCANNER
    noise_hu: float = 22.0
    voxel_mm: tuple[float, float, float] = VOXEL_MM
    bone_density: float | Osteopenia = 1.0
    organs: Organs = USUAL_ORGANS
    islands: tuple[BoneIsland, ...] = field(default=())
    size_sd: float = 0.0
    off_model_mm: float = 0.0

    def make(self) -> tuple[Volume, Truth]:
        """Build the subject and scan it."""
        weights = make_subject(seed=self.seed).weights_sd.copy()
        if self.size_sd:
            weights[0] = self.size_sd
        return scan(
            make_subject(self.seed, weights, off_model_mm=self.off_model_mm),
            self.posture,
            self.voxel_mm,
            noise_hu=self.noise_hu,
            seed=self.seed,
            scanner=self.scanner,
            bone_density=self.bone_density,
            organs=self.organs,
            islands=self.islands,
        )


SUBJECTS: Mapping[str, Mapping[str, ScannedSubject]] = {
    "osteopenic": {
        "osteopenic-1": ScannedSubject(201, Posture(10.0, 4.0, -3.0), noise_hu=40.0, bone_density=Osteopenia()),
        "osteopenic-2": ScannedSubject(
            202, Posture(-9.0, -7.0, 5.0), noise_hu=40.0, bone_density=Osteopenia(), size_sd=-1.3
        ),
        "osteopenic-3": ScannedSubject(
            203,
            Posture(5.0, 10.0, 6.0),
            noise_hu=40.0,
            bone_density=Osteopenia(shaft_share=0.3),
            off_model_mm=2.0,
        ),
        "osteopenic-4": ScannedSubject(
            204,
            Posture(0.0, 3.0, -10.0),
            noise_hu=40.0,
            bone_density=Osteopenia(cortex_hu=(500.0, 650.0)),
            size_sd=1.0,
        ),
    },
    "thick slices": {
        "thick-1": ScannedSubject(211, Posture(8.0, -4.0, 3.0), THICK, 18.0, (0.8, 0.8, 2.5)),
        "thick-2": ScannedSubject(212, Posture(-10.0, 6.0, -6.0), THICK, 18.0, (0.7, 0.7, 2.5), size_sd=-1.2),
        "thick-3": ScannedSubject(213, Posture(12.0, 9.0, 4.0), THICK, 18.0, (0.9, 0.9, 2.5), off_model_mm=2.0),
    },
    "soft kernel": {
        "soft-1": ScannedSubject(221, Posture(9.0, 3.0, 2.0), Scanner(SOFT), 14.0),
        "soft-2": ScannedSubject(222, Posture(-5.0, -8.0, -7.0), Scanner(Kernel(1.05, 0.6)), 14.0, size_sd=1.3),
        "soft-3": ScannedSubject(223, Posture(3.0, 11.0, 5.0), Scanner(SOFT), 14.0, off_model_mm=2.0),
    },
    "sharp kernel": {
        "sharp-1": ScannedSubject(231, Posture(7.0, -3.0, -4.0), Scanner(SHARP), 70.0),
        "sharp-2": ScannedSubject(232, Posture(-8.0, 7.0, 6.0), Scanner(SHARP), 90.0, size_sd=-1.0),
        "sharp-3": ScannedSubject(
            233, Posture(11.0, -9.0, 3.0), Scanner(Kernel(0.4, 0.4, 0.5, 1.0)), 70.0, bone_density=0.9, off_model_mm=2.0
        ),
    },
    "low dose": {
        "low-dose-1": ScannedSubject(241, Posture(10.0, 5.0, -2.0), Scanner(starved_hu=45.0), 45.0),
        "low-dose-2": ScannedSubject(242, Posture(-11.0, -4.0, 7.0), Scanner(starved_hu=60.0), 50.0, size_sd=1.2),
        "low-dose-3": ScannedSubject(243, Posture(6.0, 8.0, -9.0), Scanner(starved_hu=45.0), 60.0, off_model_mm=2.0),
    },
    "contrast and bone island": {
        "contrast-1": ScannedSubject(
            251,
            Posture(9.0, -5.0, 4.0),
            organs=Organs(bladder_hu=380.0, bowel_hu=250.0, full_mm=22.0),
            islands=(BoneIsland(Side.RIGHT),),
        ),
        "contrast-2": ScannedSubject(
            252,
            Posture(-7.0, 6.0, -5.0),
            organs=Organs(bladder_hu=260.0, bowel_hu=390.0, full_mm=28.0, wall_gap_mm=2.5),
            islands=(BoneIsland(Side.LEFT, (0.9, -0.2, 0.5), (4.0, 7.0, 14.0), 1.5),),
            size_sd=-1.1,
        ),
        "contrast-3": ScannedSubject(
            253,
            Posture(4.0, 10.0, 7.0),
            organs=Organs(bladder_hu=320.0, bowel_hu=310.0, full_mm=25.0, wall_gap_mm=3.0),
            islands=(
                BoneIsland(Side.LEFT, (0.5, 0.9, -0.2), (8.0, 6.0, 9.0), 2.0, 1000.0, 300.0),
                BoneIsland(Side.RIGHT, (0.8, 0.3, 0.8), (4.0, 4.0, 6.0), 2.0),
            ),
            off_model_mm=2.0,
        ),
    },
}

TRIALS = tuple(
    HardTrial(variant, name, partial(ScannedSubject.make, made))
    for variant, own in SUBJECTS.items()
    for name, made in own.items()
)
