"""Heads out of their sockets: subluxed in a shallow one, or in a false socket 10 to 30 mm above the true one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from cotyle.anatomy.pelvis import Posture
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle_sample.displaced import drawn_displacement
from cotyle_sample.scanner import scan
from cotyle_sample.subject import make_subject
from cotyle_sample.truth import Truth

from tests.validation.hard_trial import HardTrial

VOXEL_MM = (0.8, 0.8, 1.0)
LEFT, RIGHT = Side.LEFT, Side.RIGHT


@dataclass(frozen=True)
class DisplacedSubject:
    """How a subject is made and scanned; ``up_mm``: how far each head lies above its socket's centre."""

    seed: int
    posture: Posture
    up_mm: Mapping[Side, float]
    osteophytes: bool = False
    size_sd: float = 0.0
    off_model_mm: float = 0.0

    @property
    def affected(self) -> Side | None:
        """The side, None where both are."""
        return next(iter(self.up_mm)) if len(self.up_mm) == 1 else None

    def make(self) -> tuple[Volume, Truth]:
        """Build the subject and scan it."""
        weights = make_subject(seed=self.seed).weights_sd.copy()
        if self.size_sd:
            weights[0] = self.size_sd
        displaced = {side: drawn_displacement(self.seed, up, self.osteophytes) for side, up in self.up_mm.items()}
        subject = make_subject(self.seed, weights, off_model_mm=self.off_model_mm, displaced=displaced)
        return scan(subject, self.posture, VOXEL_MM, seed=self.seed)


SUBJECTS: Mapping[str, Mapping[str, DisplacedSubject]] = {
    "dysplasia": {
        "dysplasia-1": DisplacedSubject(601, Posture(9.0, 4.0, -3.0), {RIGHT: 4.0}),
        "dysplasia-2": DisplacedSubject(602, Posture(-7.0, -8.0, 5.0), {LEFT: 6.0}, size_sd=-1.0, off_model_mm=2.0),
        "dysplasia-3": DisplacedSubject(603, Posture(14.0, 3.0, 9.0), {LEFT: 2.0, RIGHT: 8.0}, osteophytes=True),
    },
    "head displaced 10-30 mm": {
        "displaced-1": DisplacedSubject(611, Posture(8.0, -4.0, 3.0), {RIGHT: 10.0}, size_sd=0.8),
        "displaced-2": DisplacedSubject(612, Posture(-10.0, 7.0, -6.0), {LEFT: 15.0}, off_model_mm=2.0),
        "displaced-3": DisplacedSubject(613, Posture(5.0, 10.0, 8.0), {RIGHT: 22.0, LEFT: 13.0}, osteophytes=True),
        "displaced-4": DisplacedSubject(614, Posture(12.0, -7.0, 2.0), {LEFT: 30.0}, size_sd=-1.2),
    },
}

TRIALS = tuple(
    HardTrial(variant, name, partial(DisplacedSubject.make, made), made.affected)
    for variant, own in SUBJECTS.items()
    for name, made in own.items()
)
