"""The sets of trials: who is X-rayed, by which machine, in which views, at which energy, with what in the socket.

``USUAL`` is the set that constants of registration and of cup measuring were chosen on. ``FRESH`` was written down, and
committed, before any of its pictures was made, and differs in all that a set can choose: subjects, postures, poses,
noise and retractors (all seeds follow from the subjects' letters), detector and distances, angles of the views,
energies, planned angles, sizes and walls of what is put in, and how far off the plan it lies. Its patients are taken in
the order of their letters; how many is settled by the time there is, before any is judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from cotyle.anatomy.pelvis import Posture
from cotyle.case.plan_file import PlanFile, Targets
from cotyle.space.side import Side
from cotyle.xray.views import ViewName

from tests.validation.trials import TRIALS, Trial


@dataclass(frozen=True)
class ViewChoice:
    """A named view: its own angle where it is not the usual one, and whether the detector is the wide one."""

    view: ViewName
    wide: bool = False
    angle_deg: float | None = None


@dataclass(frozen=True)
class Detector:
    """Distances of the stated machine and widths of its detectors, mm."""

    source_detector_mm: float = 1000.0
    source_isocenter_mm: tuple[float, float] = (650.0, 700.0)
    usual_mm: float = 300.0
    wide_mm: float = 430.0


@dataclass(frozen=True)
class PutIn:
    """How what is put into the socket differs from the plan.

    size_steps_mm, wall_mm: drawn evenly; None leaves the planned size and the wall that goes with it.
    """

    most_turn_deg: float = 8.0
    most_shift_mm: float = 4.0
    size_steps_mm: tuple[float, ...] | None = None
    wall_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class TrialSet:
    """One set of trials.

    choices: the ten views of a patient, in turn; where fewer pictures are made, every second patient begins with the
    sixth if ``second_half``. energies_kev: of the pictures in turn; other_kev: of pairs, wrong cameras, wrong pictures.
    targets: what is planned for a patient, by name; the usual where there is none. finds_field: Cotyle finds the field
    in the picture itself, as it does in a real one; else it is told which pixels saw the beam.
    """

    name: str
    trials: tuple[Trial, ...]
    choices: tuple[ViewChoice, ...]
    energies_kev: tuple[float, ...]
    other_kev: float
    detector: Detector = Detector()
    put_in: PutIn = PutIn()
    targets: Mapping[str, Targets] = field(default_factory=dict)
    second_half: bool = False
    finds_field: bool = False

    def names(self, count: int) -> list[str]:
        """Return the names of the first patients."""
        if not 1 <= count <= len(self.trials):
            raise ValueError(f"there are 1 to {len(self.trials)} subjects, not {count}")
        return [trial.name for trial in self.trials[:count]]

    def trial(self, name: str) -> Trial:
        """Return the subject of a name."""
        return next(trial for trial in self.trials if trial.name == name)

    def operated_side(self, name: str) -> Side:
        """Return the side that is operated; patients take turns."""
        return Side.RIGHT if self._place(name) % 2 == 0 else Side.LEFT

    def plan(self, name: str) -> PlanFile:
        """Return what the surgeon chose for a patient."""
        return PlanFile(side=self.operated_side(name), targets=self.targets.get(name, Targets()))

    def first_number(self, name: str) -> int:
        """Return the number of a patient's first picture."""
        return len(self.choices) // 2 if self.second_half and self._place(name) % 2 else 0

    def energy_kev(self, number: int) -> float:
        """Return the energy of a picture."""
        return self.energies_kev[number % len(self.energies_kev)]

    def _place(self, name: str) -> int:
        return [trial.name for trial in self.trials].index(name)


USUAL = TrialSet(
    "usual",
    TRIALS,
    (
        ViewChoice(ViewName.AP_PELVIS, wide=True),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.OBTURATOR_OBLIQUE),
        ViewChoice(ViewName.INLET, wide=True),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.AP_PELVIS),
        ViewChoice(ViewName.ILIAC_OBLIQUE, angle_deg=40.0),
        # a mobile C-arm gets 40 degrees of outlet where 60 are seldom within its reach
        ViewChoice(ViewName.OUTLET, wide=True, angle_deg=40.0),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.OBTURATOR_OBLIQUE, angle_deg=30.0),
    ),
    # half of the pictures at the 60 keV that registration assumes
    energies_kev=(60.0, 55.0, 60.0, 70.0),
    other_kev=60.0,
)

FRESH = TrialSet(
    "fresh",
    (
        Trial("N", 511, Posture(9.0, -7.0, 2.0), size_sd=0.6),
        Trial("P", 512, Posture(-8.0, 3.0, -6.0), off_model_mm=2.0),
        Trial("Q", 513, Posture(0.0, 9.0, 8.0), size_sd=-1.2, bone_density=0.8),
        Trial("R", 514, Posture(14.0, -2.0, -9.0), size_sd=1.4, off_model_mm=1.5),
        Trial("S", 515, Posture(-3.0, -10.0, 5.0)),
        Trial("T", 516, Posture(6.0, 5.0, -2.0), size_sd=-0.5, off_model_mm=2.0),
    ),
    (
        ViewChoice(ViewName.AP_PELVIS, wide=True),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.OBTURATOR_OBLIQUE, angle_deg=38.0),
        ViewChoice(ViewName.INLET, wide=True, angle_deg=32.0),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.AP_PELVIS),
        ViewChoice(ViewName.ILIAC_OBLIQUE, angle_deg=33.0),
        ViewChoice(ViewName.OUTLET, wide=True, angle_deg=35.0),
        ViewChoice(ViewName.AP_HIP),
        ViewChoice(ViewName.OBTURATOR_OBLIQUE, angle_deg=22.0),
    ),
    # none at the 60 keV that registration assumes
    energies_kev=(66.0, 52.0, 66.0, 76.0),
    other_kev=66.0,
    detector=Detector(1060.0, (630.0, 720.0), 310.0, 400.0),
    put_in=PutIn(12.0, 5.0, size_steps_mm=(-2.0, 0.0, 2.0), wall_mm=(3.0, 5.5)),
    targets={
        "N": Targets(inclination_deg=45.0, anteversion_deg=10.0),
        "P": Targets(inclination_deg=36.0, anteversion_deg=22.0),
        "Q": Targets(inclination_deg=48.0, anteversion_deg=20.0),
        "R": Targets(inclination_deg=38.0, anteversion_deg=12.0),
        "S": Targets(inclination_deg=42.0, anteversion_deg=25.0),
        "T": Targets(inclination_deg=35.0, anteversion_deg=8.0),
    },
    second_half=True,
    finds_field=True,
)

SETS = {each.name: each for each in (USUAL, FRESH)}


def set_of(name: str) -> TrialSet:
    """Return the set that a patient belongs to."""
    return next(each for each in SETS.values() if any(trial.name == name for trial in each.trials))
