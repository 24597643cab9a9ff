"""The invented subjects of the validation: shapes, postures in the gantry, and how far off the model they are."""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.anatomy.pelvis import Posture
from cotyle.image.volume import Volume
from cotyle_sample.scanner import scan
from cotyle_sample.subject import Subject, make_subject
from cotyle_sample.truth import Truth

VOXEL_MM = (0.8, 0.8, 1.0)


@dataclass(frozen=True)
class Trial:
    """One scan. ``first_weights_sd`` sets the first modes of the shape model (the first is size), the rest are drawn.

    ``off_model_mm`` is the root-mean-square size of a change that no weights of the model can make.
    """

    name: str
    seed: int
    posture: Posture
    size_sd: float = 0.0
    off_model_mm: float = 0.0
    bone_density: float = 1.0


TRIALS = (
    Trial("A", 101, Posture(12.0, 4.0, -3.0), size_sd=-1.6),
    Trial("B", 102, Posture(-12.0, -5.0, 4.0), size_sd=1.6),
    Trial("C", 103, Posture(5.0, 12.0, 3.0)),
    Trial("D", 104, Posture(8.0, -12.0, -5.0), off_model_mm=2.0),
    Trial("E", 108, Posture(-4.0, 6.0, 12.0), size_sd=1.0, off_model_mm=2.0),
    Trial("F", 106, Posture(2.0, -3.0, -12.0), size_sd=-1.0, bone_density=0.7),
    Trial("G", 107, Posture(10.0, 8.0, 6.0), off_model_mm=2.0, bone_density=0.8),
    # sockets of 42 mm, just below the published range of adult hips
    Trial("H", 105, Posture(-4.0, 6.0, 12.0), size_sd=1.0, off_model_mm=3.0),
)


def make_scan(trial: Trial) -> tuple[Volume, Truth]:
    """Build the subject of a trial and scan it in its posture; the same trial gives the same voxels."""
    return scan(subject_of(trial), trial.posture, VOXEL_MM, seed=trial.seed, bone_density=trial.bone_density)


def subject_of(trial: Trial) -> Subject:
    """Return the subject of a trial."""
    drawn = make_subject(seed=trial.seed).weights_sd
    weights = drawn.copy()
    if trial.size_sd:
        weights[0] = trial.size_sd
    return make_subject(seed=trial.seed, weights_sd=weights, off_model_mm=trial.off_model_mm)
