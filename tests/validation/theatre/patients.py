"""The invented patients of the theatre: a scan with its truth, and what Cotyle itself finds and plans on that scan.

Registration may use only what the planner found, never the truth; both are kept on the disk, since a patient takes
about a minute.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.anatomy_stages import complete_anatomy, find_bones
from cotyle.case.stages import PlannedCup, plan_cup
from cotyle.files import write_bytes_atomically
from cotyle.image.series_info import SeriesInfo
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from cotyle_sample.acquisition import Kernel, Scanner
from cotyle_sample.scanner import scan
from cotyle_sample.truth import Truth

from tests.validation.theatre.sets import set_of
from tests.validation.trials import Trial, make_scan, subject_of

Progress = Callable[[str], None]
# raised when the content of the files changes
_VERSION = 1


@dataclass(frozen=True, eq=False)
class PatientTruth:
    """What was put into a scan: surfaces, landmarks, spheres and the label map; all in the scan's LPS mm."""

    surfaces: Mapping[str, TriangleMesh]
    landmarks: Mapping[str, Array]
    app: Frame
    sockets: Mapping[Side, Sphere]
    heads: Mapping[Side, Sphere]
    labels: Volume


@dataclass(frozen=True, eq=False)
class Patient:
    """A scan, what Cotyle found and planned on it, and the truth.

    side: the operated hip. scan: int16 HU. labels, anatomy, planned: Cotyle's own, made by the stages of a case.
    """

    name: str
    side: Side
    scan: Volume
    labels: Volume
    anatomy: Anatomy
    planned: PlannedCup
    truth: PatientTruth

    @property
    def pelvis(self) -> Pelvis:
        """The frames that Cotyle found."""
        return self.planned.pelvis

    @property
    def found_points(self) -> dict[str, Array]:
        """Landmarks that Cotyle found, hip centres among them, LPS mm by name."""
        return {name: mark.lps_mm for name, mark in self.anatomy.landmarks.items()}


def load_patient(name: str, folder: Path, progress: Progress = lambda _: None) -> Patient:
    """Return a patient from the folder; make and keep it there first if it isn't yet."""
    path = patient_file(name, folder)
    if not path.is_file():
        write_bytes_atomically(path, pickle.dumps(make_patient(set_of(name).trial(name), progress), protocol=5))
    patient = pickle.loads(path.read_bytes())  # a file that we wrote ourselves
    if not isinstance(patient, Patient):
        raise TypeError(f"{path.name} holds no patient")
    return patient


def patient_file(name: str, folder: Path) -> Path:
    """Return where a patient is kept."""
    return folder / f"patient-{name}-v{_VERSION}.pickle"


def make_patient(trial: Trial, progress: Progress = lambda _: None) -> Patient:
    """Scan the subject of a trial and plan the cup as ``cotyle plan`` does."""
    plan = set_of(trial.name).plan(trial.name)
    progress(f"{trial.name}: scanning")
    volume, truth = make_scan(trial)
    progress(f"{trial.name}: finding the bones")
    found = find_bones(volume, series_info(trial.name, volume), plan.side)
    anatomy = complete_anatomy(found.skeleton, {})
    progress(f"{trial.name}: planning")
    planned = plan_cup(anatomy, volume, plan)
    return Patient(trial.name, plan.side, volume, found.labels, anatomy, planned, _kept(truth))


BODY_VOXEL_MM = (0.7, 0.8, 0.8)
_NO_BLUR = Scanner(Kernel(sigma_mm=0.0, z_sigma_mm=0.0))


def make_body(name: str) -> tuple[Volume, Volume]:
    """Return the CT numbers of the subject himself, as he lies in the scanner, and the labels of his bones.

    Finer voxels than those of the patient's scan, without its noise and without its blur: a picture is taken of the
    body, not of its scan.
    """
    trial = set_of(name).trial(name)
    body, truth = scan(
        subject_of(trial),
        trial.posture,
        BODY_VOXEL_MM,
        noise_hu=0.0,
        seed=trial.seed,
        scanner=_NO_BLUR,
        bone_density=trial.bone_density,
    )
    return body, truth.labels


def _kept(truth: Truth) -> PatientTruth:
    return PatientTruth(
        dict(truth.surfaces), dict(truth.landmarks), truth.app, dict(truth.sockets), dict(truth.heads), truth.labels
    )


def series_info(name: str, volume: Volume) -> SeriesInfo:
    """Return what a reader would say of the scan of a subject."""
    i, j, k = (float(each) for each in volume.spacing_mm)
    return SeriesInfo(
        kind="dicom",
        number=1,
        description=f"SYNTHETIC - not a person, subject {name}",
        modality="CT",
        kernel="",
        patient_position="HFS",
        slices=volume.size[2],
        size=volume.size,
        voxel_mm=(i, j, k),
        findings=(),
    )
