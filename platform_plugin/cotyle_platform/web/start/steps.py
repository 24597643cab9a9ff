"""The way from a CT to a case: series, side, bones, landmarks, plan. No page and no platform in here.

Each step shows what was found and waits for a yes. What takes long is done by a worker, one piece after another;
``busy`` says what it does. Nothing is written before the last step, and then a whole case or nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.landmark_files import check_inside
from cotyle.anatomy.landmarks import Landmark, Landmarks, given
from cotyle.anatomy.on_bone import on_bone
from cotyle.case import folder as case_folder
from cotyle.case.anatomy_file import Anatomy, Skeleton, case_scan
from cotyle.case.anatomy_stages import find_bones, given_of
from cotyle.case.plan_file import PlanFile
from cotyle.case.repair import repaired_bones
from cotyle.case.review import StoredReview, Unplannable, read_review, surveyed
from cotyle.case.stages import read_scan
from cotyle.case.store import write_bones
from cotyle.errors import InputError
from cotyle.image.check import SeriesReport, describe
from cotyle.image.label_files import load_label_file
from cotyle.image.series_info import SeriesInfo
from cotyle.image.volume import Volume
from cotyle.report.dicom.study import case_study
from cotyle.space.side import Side

from cotyle_platform.session.lane import Lane
from cotyle_platform.web.landmark_words import in_order

STEPS = ("series", "side", "bones", "landmarks", "plan")
Finder = Callable[..., Any]


class StartSession:
    """See the module.

    Parameters
    ----------
    post:
        Brings a piece of work to the caller's thread, such as ``loop.call_soon_threadsafe``; without it results are
        taken in on the worker's.
    find:
        What finds bones; :func:`cotyle.case.anatomy_stages.find_bones` if not given.
    """

    def __init__(self, post: Callable[[Callable[[], None]], Any] | None = None, find: Finder | None = None) -> None:
        self.step = STEPS[0]
        self.busy = self.failure = ""
        self.source: Path | None = None
        self.series: tuple[SeriesReport, ...] = ()
        self.side: Side | None = None
        self.scan: Volume | None = None
        self.info: SeriesInfo | None = None
        self.skeleton: Skeleton | None = None
        self.labels: Volume | None = None
        self.anatomy: Anatomy | Unplannable | None = None
        self.given: dict[str, Landmark] = {}
        self.agreed: set[str] = set()
        self.case: Path | None = None
        self.changed: Callable[[], None] = lambda: None
        self._past: list[tuple[dict[str, Landmark], set[str]]] = []
        self._post, self._find = post, find or find_bones
        self._lane = Lane("start")

    # series and side

    def look_into(self, source: Path) -> None:
        """List the series of a folder, or the image of a file; take up what is left of a hip that was begun."""
        if case_folder.is_review(source):
            self.take_up(source)
            return

        def look() -> Callable[[], None]:
            found = tuple(describe(source))
            return lambda: self._listed(source, found)

        self._work("looking for series", look)

    def take_up(self, folder: Path) -> None:
        """Go on with what is left of a hip that could not be planned: its bones, sides and points are there."""

        def read() -> Callable[[], None]:
            left, labels = read_review(folder), load_label_file(folder / case_folder.BONES).labels
            return lambda: self._taken_up(folder, left, labels)

        self._work("reading what is left of it", read)

    def choose_series(self, number: int, repair: bool = False) -> None:
        """Read a series; ``repair`` lets what can be mended of it be mended, and recorded."""
        source = self.source
        if source is None or number not in {each.number for each in self.series}:
            raise InputError("series-unknown", f"there is no series {number} in this list", "Choose one of the list")

        def read() -> Callable[[], None]:
            scan, info = read_scan(source, str(number) if len(self.series) > 1 else None, repair)
            return lambda: self._read(scan, info)

        self._work("reading the scan", read)

    def choose_side(self, side: str) -> None:
        """Say which hip is operated on; it is never guessed. Whether it is shown whole is judged with its bones, so
        that those found for the other side don't count."""
        chosen = Side(side)
        if self.side is not None and chosen is not self.side:
            self._forget_bones()
        self.side = chosen
        self._to("bones")

    # bones

    def look_for_bones(self, labels: Path | None = None) -> None:
        """Find the bones of the scan, which takes a while, or take those of a label map."""
        scan, info, side = self.scan, self.info, self.side
        if scan is None or info is None or side is None:
            raise InputError("step-order", "series and side come first", "Choose both")

        def find() -> Callable[[], None]:
            found = self._find(scan, info, side, labels=labels, progress=self._tell)
            kept = case_scan(scan, found.skeleton.surfaces)
            return lambda: self._found(found.skeleton, found.labels, kept)

        self._work("finding the bones", find)

    def agree_to_bones(self, labels: Volume | None = None) -> None:
        """Go on with the bones as found, or with a corrected label map on the same grid."""
        skeleton, before, kept, side = self.skeleton, self.labels, self.kept, self.side
        if skeleton is None or before is None or side is None:
            raise InputError("step-order", "the bones were not found yet", "Find the bones")

        def go_on() -> Callable[[], None]:
            now, after = skeleton, before
            if labels is not None and not np.array_equal(labels.voxels, before.voxels):
                mended = repaired_bones(skeleton, kept, before, labels, self._tell)
                now, after = mended.skeleton, mended.labels
            self._tell("finding landmarks and sockets")
            anatomy = surveyed(now, self.given, side)
            return lambda: self._agreed(now, after, anatomy)

        self._work("taking the bones over", go_on)

    # landmarks

    @property
    def kept(self) -> Volume:
        """The part of the scan a case keeps."""
        if self._kept is None:
            raise InputError("step-order", "the bones were not found yet", "Find the bones")
        return self._kept

    _kept: Volume | None = None

    @property
    def landmarks(self) -> Landmarks:
        """Points as they stand: those placed by hand in place of those found."""
        found = {} if self.anatomy is None else dict(self.anatomy.landmarks)
        return {**found, **self.given}

    @property
    def order(self) -> tuple[str, ...]:
        """Names in the order they are reviewed."""
        return in_order(self.landmarks, self.side)

    def place(self, name: str, lps_mm: npt.ArrayLike) -> None:
        """Put a landmark where a hand put it; raises ``landmark-outside`` beyond the scan."""
        point = given(name, np.asarray(lps_mm, dtype=float))
        if self.skeleton is not None:
            check_inside({name: point}, self.skeleton.source.grid)
        self._remember()
        self.given = {**self.given, name: point}
        self.agreed = self.agreed | {name}
        self.changed()

    def to_bone(self, name: str) -> None:
        """Bring a landmark onto its bone; errors as in :func:`cotyle.anatomy.on_bone.on_bone`."""
        if self.skeleton is None:
            raise InputError("step-order", "the bones were not found yet", "Find the bones")
        self.place(name, on_bone(name, self.landmarks[name].lps_mm, self.skeleton.surfaces))

    def as_found(self, name: str) -> None:
        """Take back what a hand did to a landmark."""
        if name in self.given:
            self._remember()
            self.given = {key: mark for key, mark in self.given.items() if key != name}
            self.agreed = self.agreed - {name}
            self.changed()

    def agree_to(self, *names: str) -> None:
        """Say that landmarks are right as they stand."""
        self._remember()
        self.agreed = self.agreed | set(names)
        self.changed()

    @property
    def can_undo(self) -> bool:
        """Whether something about the landmarks can be taken back."""
        return bool(self._past)

    def undo(self) -> None:
        """Take back the last thing done about landmarks."""
        if self._past:
            self.given, self.agreed = self._past.pop()
            self.changed()

    def agree_to_landmarks(self) -> None:
        """Find frames and sockets on the landmarks as they stand; goes on to the plan where that can be made."""
        skeleton, side, points = self.skeleton, self.side, dict(self.given)
        if skeleton is None or side is None:
            raise InputError("step-order", "the bones were not found yet", "Find the bones")

        def survey() -> Callable[[], None]:
            anatomy = surveyed(skeleton, points, side)
            return lambda: self._surveyed(anatomy)

        self._work("finding frames and sockets", survey)

    # plan

    def write_case(self, out: Path) -> None:
        """Plan on what was agreed to and write the case's folder; one that is there already is not touched."""
        anatomy, labels, side = self.anatomy, self.labels, self.side
        if anatomy is None or labels is None or side is None:
            raise InputError("step-order", "the landmarks were not agreed to yet", "Review them first")
        kept = self.kept

        def plan() -> Callable[[], None]:
            from cotyle.cli.commands import Unplanned, plan_or_review

            if out.exists():
                raise InputError("output-exists", f"{out.name} is there already", "Name another folder")
            study = case_study(anatomy.skeleton.source, kept)
            with case_folder.written_whole(out) as folder:
                write_bones(folder, labels, kept)
                # the console's progress is a function of words, as this one is
                planned = plan_or_review(folder, out, anatomy, kept, PlanFile(side=side), study, False, self._tell)  # type: ignore[arg-type]
            if isinstance(planned, Unplanned):
                raise planned.error
            return lambda: self._written(out)

        self._work("planning", plan)

    def suggested_folder(self) -> Path:
        """Return a folder that is not there yet, beside the scan; not called like it, which may name a patient."""
        source = self.source or Path.cwd() / "ct"
        stem = f"case-{self.side or 'hip'}"
        names = [stem, *(f"{stem}-{number}" for number in range(2, 1000))]
        return next(source.parent / name for name in names if not (source.parent / name).exists())

    def back_to(self, step: str) -> None:
        """Look at an earlier step again; what was agreed to later stays until something is changed."""
        if step in STEPS and STEPS.index(step) < STEPS.index(self.step) and not self.busy:
            self._to(step)

    def settle(self, timeout_s: float | None = None) -> bool:
        """Wait until the worker has nothing to do."""
        return self._lane.settle(timeout_s)

    def close(self) -> None:
        """End the worker."""
        self.changed = lambda: None
        self._lane.close()

    # within

    def _work(self, words: str, work: Callable[[], Callable[[], None]]) -> None:
        if self.busy:
            raise InputError("step-busy", f"still {self.busy}", "Wait until that is done")
        self.busy, self.failure = words, ""
        self.changed()

        def run() -> None:
            try:
                take = work()
            except InputError as error:
                told = str(error)
                self._deliver(lambda: self._ended(told))
            except Exception as error:  # our fault; the page must not wait for ever
                told = f"this failed in a way that was not foreseen ({type(error).__name__})"
                self._deliver(lambda: self._ended(told))
            else:
                self._deliver(lambda: self._taken(take))

        self._lane.ask(run)

    def _taken(self, take: Callable[[], None]) -> None:
        take()
        self._ended("")

    def _ended(self, failure: str) -> None:
        self.busy = ""
        self.failure = failure or self.failure
        self.changed()

    def _tell(self, words: str) -> None:
        def told() -> None:
            if self.busy:
                self.busy = words
                self.changed()

        self._deliver(told)

    def _deliver(self, take: Callable[[], None]) -> None:
        if self._post is None:
            take()
        else:
            self._post(take)

    def _to(self, step: str) -> None:
        self.step, self.failure = step, ""
        self.changed()

    def _listed(self, source: Path, found: tuple[SeriesReport, ...]) -> None:
        self.source, self.series = source, found

    def _taken_up(self, folder: Path, left: StoredReview, labels: Volume) -> None:
        self.source, self.side = folder, left.review.plan.side
        self.scan = self._kept = left.scan
        self.skeleton, self.labels, self.anatomy = left.skeleton, labels, None
        self.given, self.agreed, self._past = given_of(left.landmarks), set(), []
        self.step = "bones"
        self.failure = f"{left.review.text} [{left.review.code}]"

    def _read(self, scan: Volume, info: SeriesInfo) -> None:
        self.scan, self.info = scan, info
        self._forget_bones()
        self.step = "side"

    def _forget_bones(self) -> None:
        self.skeleton = self.labels = self.anatomy = self._kept = None
        self.given, self.agreed, self._past = {}, set(), []

    def _found(self, skeleton: Skeleton, labels: Volume, kept: Volume) -> None:
        self.skeleton, self.labels, self._kept, self.anatomy = skeleton, labels, kept, None

    def _agreed(self, skeleton: Skeleton, labels: Volume, anatomy: Anatomy | Unplannable) -> None:
        self.skeleton, self.labels = skeleton, labels
        self._take_anatomy(anatomy)
        self.step = "landmarks"

    def _surveyed(self, anatomy: Anatomy | Unplannable) -> None:
        self._take_anatomy(anatomy)
        if not isinstance(anatomy, Unplannable):
            self.step = "plan"

    def _take_anatomy(self, anatomy: Anatomy | Unplannable) -> None:
        self.anatomy = anatomy
        self.failure = str(anatomy.error) if isinstance(anatomy, Unplannable) else ""

    def _written(self, out: Path) -> None:
        self.case = out

    def _remember(self) -> None:
        self._past.append((self.given, self.agreed))
