"""Put a registration to the trials: every picture, every kind of start, and what must not be called converged."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Protocol

import numpy as np
from cotyle.space.arrays import Array
from cotyle.space.side import Side
from cotyle.xray.carm import CArm

from tests.validation.theatre.levelling_errors import CLICKED_VIEWS, move_errors_deg, pose_by_clicks
from tests.validation.theatre.pairs import disturbed, stated_at_truth
from tests.validation.theatre.patients import Patient, load_patient
from tests.validation.theatre.picture import TheatrePicture, iterate_pictures, load_pictures
from tests.validation.theatre.pose_errors import (
    ONE_VIEW,
    TWO_VIEWS,
    CupError,
    Found,
    PoseError,
    covered,
    cup_covered,
    cup_error,
    is_success,
    pose_error,
)
from tests.validation.theatre.sets import set_of
from tests.validation.theatre.shots import isocenter_of, start_off
from tests.validation.theatre.wrong import as_if_of, mirrored

NEAR, NAME, FAR = "10 deg and 15 mm off", "from the view's name", "20 deg and 30 mm off"
CAMERA, WRONG, CLICKS = "wrong camera", "must not converge", "clicked points"
PAIR, POOR_PAIR = "two views", "two views, motion 0.5 deg and 2 mm wrong"
NOT_DONE = "not done"
STARTS = (NEAR, NAME, FAR)
POOR_MOTION = (0.5, 2.0)


class NotDoneError(Exception):
    """A trial that there was no time for; it is left out of the table and counted."""


class Registration(Protocol):
    """What is judged. It may use what Cotyle found in a patient, never ``patient.truth``, ``true_carm`` or ``cup``."""

    def one_view(self, picture: TheatrePicture, patient: Patient, start: CArm) -> Found:
        """Find the pose of a picture from a start; ``start`` holds the stated machine."""
        ...

    def two_views(
        self, first: TheatrePicture, second: TheatrePicture, motion: Array, patient: Patient, start: CArm
    ) -> Found:
        """Find the first pose from two pictures; :func:`tests.validation.theatre.pairs.follow` tells the second."""
        ...


@dataclass(frozen=True, eq=False)
class Judged:
    """One trial. error is None where no pose was found; with_depth: whether depth counts.

    moves_deg: errors of the levelling moves, without sign, by name; those that were said to be unsettled are left out.
    shows_cup: whether there was a cup or reamer to be measured.
    """

    picture: str
    kind: str
    found: Found
    error: PoseError | None
    with_depth: bool
    success: bool
    covered: dict[str, bool] = field(default_factory=dict)
    cup: CupError | None = None
    cup_covered: dict[str, bool] = field(default_factory=dict)
    moves_deg: dict[str, float] = field(default_factory=dict)
    wrong: str = ""
    shows_cup: bool = False

    @property
    def converged(self) -> bool:
        """Whether it was called sound."""
        return self.found.verdict == "converged"


def judge_folder(
    registration: Registration,
    folder: Path,
    patients: Path,
    tell: Callable[[str], None] = lambda _: None,
    limit: int | None = None,
    subjects: Collection[str] | None = None,
    most_wrong: int | None = None,
) -> Iterator[Judged]:
    """Yield every trial of the pictures in a folder.

    ``limit`` takes only so many of each patient and set, ``subjects`` only what is held against these patients' scans.
    ``most_wrong``: so many of each patient's pictures are mirrored, and held against another patient's scan.
    """
    everyone = _limited(load_pictures(folder), limit)
    names = subjects_in(everyone)
    chosen = set(names if subjects is None else subjects)
    pictures = _of(chosen, everyone)
    known: dict[str, Patient] = {}

    def patient(name: str) -> Patient:
        if name not in known:
            known.clear()  # one scan at a time in memory
            known[name] = load_patient(name, patients)
        return known[name]

    for picture in pictures:
        for kind in STARTS:
            yield _told(judge(registration, picture, patient(picture.subject), kind), tell)
        if picture.view in CLICKED_VIEWS:
            yield _told(judge_clicks(picture, patient(picture.subject)), tell)
    for picture in _of(chosen, _limited(load_pictures(folder / "camera"), limit)):
        yield _told(judge(registration, picture, patient(picture.subject), CAMERA), tell)
    yield from _judged_pairs(registration, folder / "pairs", patient, tell, limit, chosen)
    mistaken = _mistaken(_limited(everyone, most_wrong), names, patient, chosen)
    for picture in chain(_of(chosen, _limited(load_pictures(folder / "wrong"), limit)), mistaken):
        yield _told(judge(registration, picture, patient(picture.subject), WRONG), tell)


def subjects_in(pictures: Sequence[TheatrePicture]) -> list[str]:
    """Return the names of the patients of some pictures."""
    return sorted({picture.subject for picture in pictures})


def _of(subjects: Collection[str], pictures: Sequence[TheatrePicture]) -> tuple[TheatrePicture, ...]:
    return tuple(picture for picture in pictures if picture.subject in subjects)


def judge(registration: Registration, picture: TheatrePicture, patient: Patient, kind: str) -> Judged:
    """Register a picture from a start of a kind and measure the error."""
    try:
        found = registration.one_view(picture, patient, start_of(picture, kind))
    except NotDoneError:
        return _not_done(picture)
    if picture.wrong:
        return Judged(picture.name, kind, found, None, False, found.verdict != "converged", wrong=picture.wrong)
    return _measured(picture, patient, kind, found)


def _not_done(picture: TheatrePicture) -> Judged:
    return Judged(picture.name, NOT_DONE, Found(None, NOT_DONE), None, False, False)


def judge_clicks(picture: TheatrePicture, patient: Patient) -> Judged:
    """Level by clicked points, without registration."""
    pose = pose_by_clicks(picture, patient)
    carm = None if pose is None else pose.carm
    errors = move_errors_deg(carm, picture, patient)
    unsettled = () if pose is None else pose.unsettled
    found = Found(carm, "failed" if pose is None else str(pose.trust))
    error = None if carm is None else pose_error(carm, picture.true_carm, picture.hip_lps_mm)
    settled = {name: value for name, value in errors.items() if name not in unsettled}
    return Judged(picture.name, CLICKS, found, error, picture.depth_is_judged, pose is not None, moves_deg=settled)


def start_of(picture: TheatrePicture, kind: str) -> CArm:
    """Return the start: the nominal pose, or the stated machine at the true place moved off it."""
    if kind in (NAME, WRONG):
        return picture.nominal_carm
    turn_deg, shift_mm = (20.0, 30.0) if kind == FAR else (10.0, 15.0)
    rng = np.random.default_rng([picture.seed, 21 if kind == FAR else 20])
    return start_off(stated_at_truth(picture), picture.hip_lps_mm, turn_deg, shift_mm, rng)


def _measured(picture: TheatrePicture, patient: Patient, kind: str, found: Found) -> Judged:
    moves = move_errors_deg(found.carm, picture, patient)
    shows_cup = picture.cup is not None
    if found.carm is None:
        deep = picture.depth_is_judged
        return Judged(picture.name, kind, found, None, deep, False, moves_deg=moves, shows_cup=shows_cup)
    error = pose_error(found.carm, picture.true_carm, picture.hip_lps_mm)
    deep = picture.depth_is_judged
    cup, cup_held = None, {}
    if found.cup is not None and picture.cup is not None:
        cup = cup_error(found.cup, picture.cup, picture.true_carm, patient.pelvis.app)
        cup_held = cup_covered(cup, found.cup_half_width_95)
    limits = TWO_VIEWS if kind in (PAIR, POOR_PAIR) else ONE_VIEW
    held = covered(error, found.half_width_95, deep) if found.verdict != "failed" else {}
    success = is_success(error, limits, deep)
    return Judged(picture.name, kind, found, error, deep, success, held, cup, cup_held, moves, shows_cup=shows_cup)


def _judged_pairs(
    registration: Registration,
    folder: Path,
    patient: Callable[[str], Patient],
    tell: Callable[[str], None],
    limit: int | None,
    subjects: Collection[str],
) -> Iterator[Judged]:
    by_pair: dict[str, list[TheatrePicture]] = {}
    for picture in iterate_pictures(folder):
        if picture.pairing is not None:
            by_pair.setdefault(picture.pairing.name, []).append(picture)
    firsts = _limited(tuple(sorted((each[0] for each in by_pair.values()), key=lambda each: each.name)), limit)
    for first in _of(subjects, firsts):
        if first.pairing is None:
            continue
        second = by_pair[first.pairing.name][1]
        for kind in (PAIR, POOR_PAIR):
            motion = np.array(first.pairing.motion)
            if kind == POOR_PAIR:
                pivot = isocenter_of(first.true_carm, first.source_isocenter_mm)
                rng = np.random.default_rng([first.seed, 22])
                motion = disturbed(motion, *POOR_MOTION, first.true_carm, pivot, rng)
            own = patient(first.subject)
            try:
                found = registration.two_views(first, second, motion, own, start_of(first, NEAR))
            except NotDoneError:
                yield _not_done(first)
            else:
                yield _told(_measured(first, own, kind, found), tell)


def _mistaken(
    pictures: tuple[TheatrePicture, ...],
    names: list[str],
    patient: Callable[[str], Patient],
    subjects: Collection[str],
) -> Iterator[TheatrePicture]:
    """Right pictures made wrong: each one mirrored, and each as if it were another patient's.

    The other is the next one whose operated hip is on the same side, so that no cup gives it away.
    """
    for picture in _of(subjects, pictures):
        yield mirrored(picture)
    for side in Side:
        same = [name for name in names if set_of(name).operated_side(name) is side]
        for number, name in enumerate(same):
            if len(same) > 1 and name in subjects:
                yield from (as_if_of(each, patient(name)) for each in pictures if each.subject == same[number - 1])


def _limited(pictures: tuple[TheatrePicture, ...], limit: int | None) -> tuple[TheatrePicture, ...]:
    if limit is None:
        return pictures
    kept: list[TheatrePicture] = []
    for picture in pictures:
        if sum(each.subject == picture.subject for each in kept) < limit:
            kept.append(picture)
    return tuple(kept)


def _told(judged: Judged, tell: Callable[[str], None]) -> Judged:
    error = judged.error
    numbers = "no pose"
    if error is not None:
        numbers = (
            f"{error.in_plane_mm:.2f} mm {error.turn_deg:+.2f} deg, tilt {error.tilt_deg:+.2f}, "
            f"axial {error.axial_deg:+.2f}, depth {error.depth_mm:+.1f} mm"
        )
    state = judged.wrong or ("within" if judged.success else "outside")
    tell(f"{judged.picture} [{judged.kind}] {judged.found.verdict}, {state}: {numbers}, {judged.found.seconds:.1f} s")
    return judged
