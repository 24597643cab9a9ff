"""One case being planned: the plan, its numbers at once, dear results as they come, undo, and saving.

The plan is the truth; all else follows from it. Each change raises ``revision`` by one. ``numbers`` belong to the
current revision always; ``full`` and ``screen`` carry the revision they were made for and may be older.

Changes are made by one thread (an event loop). Results come from workers; given ``post`` (an event loop's
``call_soon_threadsafe``), they are taken in and announced on that loop's thread, else on the worker's.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.landmarks import Landmark, given
from cotyle.case import plan_changes as changes
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.anatomy_stages import given_of
from cotyle.case.asked_view import ViewRequest, show
from cotyle.case.live import LiveNumbers, live_numbers
from cotyle.case.measurements import Measurements
from cotyle.case.plan_file import FrameName, OrientationChoice, PlanFile
from cotyle.case.results import measurements_of
from cotyle.case.review import Unplannable, surveyed
from cotyle.case.simulated import SimulatedView, case_cues
from cotyle.case.stages import Hip, PlannedCup, hip_of, plan_on
from cotyle.case.store import StoredCase, read_case
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.xray.projector.line_integrals import ReadyVolume, prepare
from cotyle.xray.projector.packed_volume import Precision

from cotyle_platform.session.lane import Lane

Listener = Callable[[str, int], None]
Post = Callable[[Callable[[], None]], Any]

FULL_AFTER_S = 0.15
"""The whole measurement waits until the plan has not changed for this long, so that it never slows a drag."""


@dataclass(frozen=True, eq=False)
class Full:
    """Everything that is measured on the plan of a revision."""

    revision: int
    planned: PlannedCup
    measured: Measurements

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is doubtful, in sentences, the gravest first."""
        return tuple(each.text for each in self.measured.warnings)


@dataclass(frozen=True, eq=False)
class Screen:
    """The simulated view of a revision."""

    revision: int
    asked: ViewRequest
    shown: SimulatedView


@dataclass(frozen=True, eq=False)
class _State:
    """What undo brings back."""

    plan: PlanFile
    hip: Hip


class PlanningSession:
    """See the module; made by :meth:`open`."""

    def __init__(self, case: StoredCase, post: Post | None = None) -> None:
        self.case = case
        self.folder = case.folder
        self.revision = 0
        self.full: Full | None = None
        self.screen: Screen | None = None
        self.failure = ""
        self._state = _State(case.plan, hip_of(case.anatomy, case.scan, case.plan.side))
        self.numbers: LiveNumbers = live_numbers(self._state.hip, case.plan)
        own = case.plan.cup.orientation
        assert own is not None  # a plan without one makes no numbers
        self.angles_in: tuple[Definition, FrameName] = (own.definition, own.frame)
        self._post = post
        self._lock = threading.RLock()
        self._listeners: list[Listener] = []
        self._past: list[_State] = []
        self._future: list[_State] = []
        self._dragging = False
        self._lanes = {name: Lane(name) for name in ("measure", "anatomy", "screen", "files")}
        self._asked: ViewRequest | None = None
        self._ready: ReadyVolume | None = None
        self._pending: dict[str, Landmark] = {}
        self._measure()

    @classmethod
    def open(cls, folder: Path, post: Post | None = None) -> PlanningSession:
        """Open a case folder; raises InputError for what is none, or is damaged."""
        return cls(read_case(folder), post)

    # what is there

    @property
    def plan(self) -> PlanFile:
        """The complete plan."""
        return self._state.plan

    @property
    def hip(self) -> Hip:
        """The hip with its anatomy, as the plan stands on it."""
        return self._state.hip

    @property
    def anatomy(self) -> Anatomy:
        """Bones, landmarks and sockets, as the plan stands on them."""
        return self._state.hip.anatomy

    @property
    def landmarks(self) -> dict[str, Landmark]:
        """Landmarks by name, with those that were just moved where they were moved to."""
        return {**self.anatomy.landmarks, **self._pending}

    @property
    def angles(self) -> OrientationChoice:
        """Inclination and anteversion in the definition and frame that are shown."""
        return changes.orientation_in(self.plan, self.numbers.pelvis, *self.angles_in)

    @property
    def stale(self) -> bool:
        """Whether the whole measurement is older than the plan."""
        return self.full is None or self.full.revision != self.revision or self.surveying

    @property
    def surveying(self) -> bool:
        """Whether a landmark was moved and what rests on it is not known yet."""
        return bool(self._pending)

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to undo."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to make again."""
        return bool(self._future)

    # changes of the plan

    def change(self, **what: Any) -> None:
        """Change the plan: ``outer_diameter_mm``, ``center_lps_mm``, ``orientation``, ``posture``, ``reaming``,
        ``targets``; one step of undo. Another posture leaves the cup where it is in the pelvis.

        Raises
        ------
        InputError
            For what makes no plan or no cup; then nothing changes.
        """
        plan = self.plan
        if "posture" in what:
            posture = changes.with_section(plan, "posture", what.pop("posture")).posture
            after = self.hip.pelvis(posture.standing_tilt_change_deg)
            plan = changes.in_posture(plan, self.numbers.pelvis, after, posture)
        for name in ("targets", "reaming"):
            if name in what:
                plan = changes.with_section(plan, name, what.pop(name))
        self._take(changes.with_cup(plan, **what) if what else plan)

    def change_orientation(
        self,
        inclination_deg: float | None = None,
        anteversion_deg: float | None = None,
        definition: Definition | None = None,
        frame: FrameName | None = None,
    ) -> None:
        """Change one or both angles, in the definition and frame that are shown unless others are named."""
        shown = self.angles_in
        chosen = (definition or shown[0], frame or shown[1])
        self._take(changes.with_angles(self.plan, self.numbers.pelvis, *chosen, inclination_deg, anteversion_deg))

    def place(self, center_lps_mm: npt.ArrayLike | None = None, opening_axis_lps: npt.ArrayLike | None = None) -> None:
        """Put the cup where a handle was dragged: centre (3,) LPS mm, direction out of its mouth (3,) LPS."""
        plan = self.plan
        if opening_axis_lps is not None:
            plan = changes.with_axis(plan, self.numbers.pelvis, np.asarray(opening_axis_lps, dtype=float))
        if center_lps_mm is not None:
            plan = changes.with_cup(plan, center_lps_mm=np.asarray(center_lps_mm, dtype=float))
        self._take(plan)

    def move(
        self, along_axis_mm: float = 0.0, medial_mm: float = 0.0, superior_mm: float = 0.0, anterior_mm: float = 0.0
    ) -> None:
        """Move the cup: into the bone along its axis, and in the words of the supine frame."""
        way = (along_axis_mm, medial_mm, superior_mm, anterior_mm)
        self._take(changes.moved(self.plan, self.numbers.pelvis, *way))

    def shift_to(
        self, medial_mm: float | None = None, superior_mm: float | None = None, anterior_mm: float | None = None
    ) -> None:
        """Put the hip centre at a shift from the native one in the supine frame; None keeps its own."""
        native = self.hip.socket.center_lps_mm
        shift = (medial_mm, superior_mm, anterior_mm)
        self._take(changes.shifted_to(self.plan, self.numbers.pelvis, native, *shift))

    def show_angles(self, definition: Definition, frame: FrameName) -> None:
        """Tell the same axis in another definition and frame; the cup and the plan stay as they are."""
        changes.orientation_in(self.plan, self.numbers.pelvis, Definition(definition), frame)
        self.angles_in = (Definition(definition), frame)
        self._tell("plan")

    @contextmanager
    def drag(self) -> Iterator[None]:
        """Make all changes of the block one step of undo."""
        before, outer = self._state, self._dragging
        self._dragging = True
        try:
            yield
        finally:
            self._dragging = outer
            if not outer and self._state is not before:
                self._past.append(before)
                self._future.clear()
                self._tell("plan")

    def undo(self) -> None:
        """Take back the last change, of the plan or of a landmark."""
        self._go(self._past, self._future)

    def redo(self) -> None:
        """Make the last change again that was taken back."""
        self._go(self._future, self._past)

    def move_landmark(self, name: str, lps_mm: npt.ArrayLike) -> None:
        """Put a landmark elsewhere; frames, sockets and what was proposed follow as ``cotyle repair`` has it.

        They are found by a worker: until then ``numbers`` stand on the old ones and ``surveying`` is true. Where
        nothing can be planned on the moved point, it goes back and ``failed`` is announced.
        """
        mark = given(name, np.asarray(lps_mm, dtype=float))
        with self._lock:
            self._pending = {**self._pending, name: mark}
            points, skeleton = {**given_of(self.anatomy.landmarks), **self._pending}, self.anatomy.skeleton
            side = self.plan.side
        self._tell("plan")

        def survey() -> None:
            try:
                anatomy = surveyed(skeleton, points, side)
                if isinstance(anatomy, Unplannable):
                    raise anatomy.error
                hip = hip_of(anatomy, self.case.scan, side)
                self._deliver(lambda: self._settle_on(hip))
            except InputError as error:
                words = str(error)
                self._deliver(lambda: self._give_up_landmarks(words))

        self._lanes["anatomy"].ask(survey)

    # dear results

    def view_request(self, asked: ViewRequest) -> None:
        """Ask for a simulated view; the newest is answered by ``screen``, and again whenever the plan changes."""
        self._asked = asked
        self._draw()

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Have ``listener(kind, revision)`` called: kinds ``plan``, ``full``, ``screen``, ``failed`` (words in
        ``failure``) and ``saved``. Returns what ends it.
        """
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def settle(self, timeout_s: float | None = None) -> bool:
        """Wait until no worker has anything to do; not to be called on the thread of ``post``."""
        return all(self._lanes[name].settle(timeout_s) for name in ("anatomy", "measure", "screen", "files"))

    def close(self) -> None:
        """End the workers; nothing is announced any more."""
        self._listeners.clear()
        for lane in self._lanes.values():
            lane.close()

    # within

    def _take(self, plan: PlanFile) -> None:
        if plan == self.plan:
            return
        self._become(_State(plan, self.hip), live_numbers(self.hip, plan, self.numbers), remember=True)

    def _become(self, state: _State, numbers: LiveNumbers, remember: bool) -> None:
        with self._lock:
            if remember and not self._dragging:
                self._past.append(self._state)
                self._future.clear()
            self._state, self.numbers = state, numbers
            self.revision += 1
        self._tell("plan")
        self._measure()
        self._draw()

    def _go(self, source: list[_State], target: list[_State]) -> None:
        if not source:
            return
        state = source[-1]
        numbers = live_numbers(state.hip, state.plan)
        with self._lock:
            self._pending = {}
            target.append(self._state)
            source.pop()
        self._become(state, numbers, remember=False)

    def _settle_on(self, hip: Hip) -> None:
        if not self._pending:
            return
        try:
            planned = plan_on(hip, changes.with_open_proposals(self.plan))
            numbers = live_numbers(hip, planned.plan)
        except InputError as error:
            self._give_up_landmarks(str(error))
            return
        self._pending = {}
        self._become(_State(planned.plan, hip), numbers, remember=True)

    def _give_up_landmarks(self, words: str) -> None:
        self._pending = {}
        self._fail(words)
        self._tell("plan")

    def _measure(self) -> None:
        revision, state = self.revision, self._state

        def measure() -> None:
            try:
                planned = plan_on(state.hip, state.plan)
                full = Full(revision, planned, measurements_of(planned, case_cues(planned)))
                self._deliver(lambda: self._take_full(full))
            except InputError as error:
                words = str(error)
                self._deliver(lambda: self._fail(words))

        self._lanes["measure"].ask(measure, FULL_AFTER_S)

    def _take_full(self, full: Full) -> None:
        if self.full is None or full.revision > self.full.revision:
            self.full = full
            self._tell("full", full.revision)

    def _draw(self) -> None:
        asked, revision, numbers = self._asked, self.revision, self.numbers
        if asked is None:
            return

        def draw() -> None:
            try:
                if self._ready is None:
                    self._ready = prepare(self.case.scan, precision=Precision.FAST)
                screen = Screen(revision, asked, show(numbers, self._ready, asked))
                self._deliver(lambda: self._take_screen(screen))
            except InputError as error:
                words = str(error)
                self._deliver(lambda: self._fail(words))

        self._lanes["screen"].ask(draw)

    def _take_screen(self, screen: Screen) -> None:
        self.screen = screen
        self._tell("screen", screen.revision)

    def _fail(self, words: str) -> None:
        self.failure = words
        self._tell("failed")

    def _deliver(self, take: Callable[[], None]) -> None:
        if self._post is None:
            take()
        else:
            self._post(take)

    def _tell(self, kind: str, revision: int | None = None) -> None:
        for listener in tuple(self._listeners):
            listener(kind, self.revision if revision is None else revision)
