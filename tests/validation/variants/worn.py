"""Worn hips, bone on bone; and protrusio."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from cotyle.anatomy.pelvis import Posture
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.scanner import scan
from cotyle_sample.subject import make_subject
from cotyle_sample.truth import Truth
from cotyle_sample.wear import drawn_wear

from tests.validation.hard_trial import HardTrial

VOXEL_MM = (0.8, 0.8, 1.0)


@dataclass(frozen=True)
class WornSubject:
    """How a subject is made and scanned; the wear itself is drawn from the seed."""

    seed: int
    posture: Posture
    affected: Side
    protrusio: bool = False
    double_floor: bool = False
    size_sd: float = 0.0
    off_model_mm: float = 0.0
    bone_density: float = 1.0

    def make(self) -> tuple[Volume, Truth]:
        """Build the subject and scan it."""
        weights = make_subject(seed=self.seed).weights_sd.copy()
        if self.size_sd:
            weights[0] = self.size_sd
        wear = {self.affected: drawn_wear(self.seed, self.protrusio, self.double_floor)}
        subject = make_subject(self.seed, weights, off_model_mm=self.off_model_mm, wear=wear)
        return scan(subject, self.posture, VOXEL_MM, seed=self.seed, bone_density=self.bone_density)


SUBJECTS: Mapping[str, Mapping[str, WornSubject]] = {
    "worn joint": {
        "worn-1": WornSubject(401, Posture(10.0, 4.0, -3.0), Side.RIGHT),
        "worn-2": WornSubject(402, Posture(-12.0, -6.0, 5.0), Side.LEFT, double_floor=True, size_sd=1.2),
        "worn-3": WornSubject(405, Posture(6.0, 11.0, 4.0), Side.RIGHT, double_floor=True, off_model_mm=2.0),
        "worn-4": WornSubject(406, Posture(0.0, -9.0, -8.0), Side.LEFT, size_sd=-1.2, off_model_mm=2.0),
        "worn-5": WornSubject(408, Posture(3.0, 2.0, 12.0), Side.RIGHT, double_floor=True, bone_density=0.8),
    },
    "protrusio": {
        "protrusio-1": WornSubject(416, Posture(12.0, -8.0, 4.0), Side.RIGHT, protrusio=True),
        "protrusio-2": WornSubject(422, Posture(-6.0, 5.0, -10.0), Side.LEFT, protrusio=True, size_sd=-1.0),
        "protrusio-3": WornSubject(413, Posture(4.0, 10.0, 2.0), Side.RIGHT, protrusio=True, off_model_mm=2.0),
    },
}

TRIALS = tuple(
    HardTrial(variant, name, partial(WornSubject.make, made), made.affected)
    for variant, own in SUBJECTS.items()
    for name, made in own.items()
)
