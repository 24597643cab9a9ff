"""One case being planned: the plan, its numbers at once, dear results as they come, undo, and saving.

The plan is the truth; all else follows from it. Each change raises ``revision`` by one. ``numbers`` belong to the
current revision always; ``full`` and ``screen`` carry the revision they were made for and may be older.

Changes are made by one thread (an event loop). Results come from workers; given ``post`` (an event loop's
``call_soon_threadsafe``), they are taken in and announced on that loop's thread, else on the worker's.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.landmarks import Landmark, given
from cotyle.anatomy.on_bone import on_bone
from cotyle.case import folder as names
from cotyle.case import plan_changes as changes
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.anatomy_stages import given_of
from cotyle.case.asked_view import ViewRequest
from cotyle.case.live import LiveNumbers, live_numbers
from cotyle.case.plan_file import FrameName, OrientationChoice, PlanFile
from cotyle.case.repair import lies_elsewhere
from cotyle.case.results import measurements_of
from cotyle.case.review import Unplannable, surveyed
from cotyle.case.simulated import case_cues
from cotyle.case.stages import Hip, completed, hip_of, plan_on
from cotyle.case.store import OpenedCase, StoredCase, open_case
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError

from cotyle_platform.session import draft as drafts
from cotyle_platform.session.apart import Apart
from cotyle_platform.session.changing import PlanChanges
from cotyle_platform.session.history import History, State, state_of
from cotyle_platform.session.results import Drawer, Full, Screen
from cotyle_platform.session.workers import Listener, Post, Workers

FULL_AFTER_S = 0.15
"""The whole measurement waits until the plan has not changed for this long, so that it never slows a drag."""
DRAFT_AFTER_S = 1.0
FINE_AFTER_S = 0.2
"""A view is drawn coarsely while new ones are asked for faster than this, and finely once they are not."""


class PlanningSession(PlanChanges):
    """See the module; made by :meth:`open`."""

    def __init__(self, opened: OpenedCase, post: Post | None = None) -> None:
        case = opened.stored
        self.folder = case.folder
        self.revision = 0
        self.full: Full | None = None
        self.screen: Screen | None = None
        self.failure = ""
        self._opened = opened
        self._history = History(State(case.plan, hip_of(case.anatomy, case.scan, case.plan.side)))
        self.saved_state: State = self._history.state
        """What stands in the case folder."""
        self.numbers: LiveNumbers = live_numbers(self.hip, self.plan)
        own = case.plan.cup.orientation
        assert own is not None  # a plan without one makes no numbers
        self.angles_in: tuple[Definition, FrameName] = (own.definition, own.frame)
        self.draft = drafts.read_draft(case.folder, case.plan)
        self.apart, self.exporter = Apart(), Apart()
        """What compares real pictures and what writes exports, each in a process of its own."""
        self._workers = Workers(("anatomy", "measure", "screen", "files", "draft"), post, self._fail)
        self._lock = threading.RLock()
        self._asked: ViewRequest | None = None
        self._asked_at = 0.0
        self._drawer = Drawer(case.scan)
        self._surveyed: Mapping[str, Landmark] | None = None
        self._measure()

    @classmethod
    def open(cls, folder: Path, post: Post | None = None) -> PlanningSession:
        """Open a case folder; raises InputError for what is none, or is damaged."""
        return cls(open_case(folder), post)

    # what is there

    @property
    def case(self) -> StoredCase:
        """The case as it was opened, or last saved."""
        return self._opened.stored

    @property
    def bones(self) -> bytes:
        """The label map's file, as it was opened or last saved."""
        return self._opened.files[names.BONES]

    @property
    def plan(self) -> PlanFile:
        """The complete plan."""
        return self._history.state.plan

    @property
    def hip(self) -> Hip:
        """The hip with its anatomy, as the plan stands on it."""
        return self._history.state.hip

    @property
    def anatomy(self) -> Anatomy:
        """Bones, landmarks and sockets, as the plan stands on them."""
        return self.hip.anatomy

    @property
    def landmarks(self) -> dict[str, Landmark]:
        """Landmarks by name, with those that were just moved where they were moved to."""
        return {**self.anatomy.landmarks, **(self._surveyed or {})}

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
        return self._surveyed is not None

    @property
    def state(self) -> State:
        """What is planned now, to be held against an earlier or a later one by ``says_as``."""
        return self._history.state

    @property
    def unsaved(self) -> bool:
        """Whether plan or landmarks differ from the case folder."""
        return not self._history.state.says_as(self.saved_state)

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to undo."""
        return self.surveying or self._history.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to make again; not while a landmark's move, a newer one, is being worked out."""
        return not self.surveying and self._history.can_redo

    # angles, undo, landmarks

    def show_angles(self, definition: Definition, frame: FrameName) -> None:
        """Tell the same axis in another definition and frame; the cup and the plan stay as they are."""
        changes.orientation_in(self.plan, self.numbers.pelvis, Definition(definition), frame)
        self.angles_in = (Definition(definition), frame)
        self._tell("plan")

    @contextmanager
    def drag(self) -> Iterator[None]:
        """Make all changes of the block one step of undo."""
        with self._history.one_step():
            yield
        self._tell("plan")

    def undo(self) -> None:
        """Take back the last change, of the plan or of a landmark."""
        if self.surveying:
            self._drop_survey()
        elif self._history.before is not None:
            self._become(self._history.before, lambda _: self._history.undo())

    def redo(self) -> None:
        """Make the last change again that was taken back."""
        if self.can_redo and self._history.after is not None:
            self._become(self._history.after, lambda _: self._history.redo())

    def move_landmark(self, name: str, lps_mm: npt.ArrayLike, onto_bone: bool = False) -> None:
        """Put a landmark elsewhere; frames, sockets and what was proposed follow as ``cotyle repair`` has it.

        They are found by a worker: until then ``numbers`` stand on the old ones and ``surveying`` is true. Where
        nothing can be planned on the moved point, it goes back and ``failed`` is announced. Moves that come before
        the last one was worked out are one step of undo with it. A point that stays where it is stays as found.

        Parameters
        ----------
        onto_bone:
            Take the nearest point of the bone that the landmark lies on.

        Raises
        ------
        InputError
            Those of :func:`cotyle.anatomy.on_bone.on_bone`; then nothing changes.
        """
        place = np.asarray(lps_mm, dtype=float)
        if onto_bone:
            place = on_bone(name, place, self.anatomy.surfaces)
        if name not in self.landmarks or lies_elsewhere(place, self.landmarks[name].lps_mm):
            self._survey({**self._given, name: given(name, place)})

    def reset_landmark(self, name: str) -> None:
        """Put a landmark that was moved back where it was found, as :meth:`move_landmark` puts it elsewhere."""
        if name in self._given:
            self._survey({other: mark for other, mark in self._given.items() if other != name})

    # dear results

    def view_request(self, asked: ViewRequest) -> None:
        """Ask for a simulated view; the newest is answered by ``screen``, and again whenever the plan changes."""
        now = time.monotonic()
        moving = asked != self._asked and now - self._asked_at < FINE_AFTER_S
        self._asked, self._asked_at = asked, now
        self._draw(coarse=moving)

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Have ``listener(kind, revision)`` called: kinds ``plan``, ``full``, ``screen``, ``failed`` (words in
        ``failure``) and ``saved``. Returns what ends it.
        """
        return self._workers.subscribe(listener)

    def settle(self, timeout_s: float | None = None) -> bool:
        """Wait until no worker has anything to do; not to be called on the thread of ``post``."""
        return self._workers.settle(timeout_s)

    def close(self) -> None:
        """End the workers; nothing is announced any more. What is not saved stays as a draft."""
        self.apart.close()
        self.exporter.close()
        self._workers.settle(None, ("files",))  # a case that is being written is written to its end
        self._workers.close()
        if self.unsaved:
            with contextlib.suppress(InputError):  # the folder is gone: nobody is left to be told
                self._keep_draft(self._history.state)

    # files

    def save(self, pdf: bool = False) -> None:
        """Write the case into its folder, as ``measure`` does: all together or not at all. ``saved`` tells when."""
        self.save_as(self.folder, pdf)

    def write_report(self) -> None:
        """Save with the report's PDF."""
        self.save(pdf=True)

    def save_as(self, folder: Path, pdf: bool = False) -> None:
        """Write the case into another folder, new or empty or a case; it is the session's folder from then on."""
        state, revision, opened = self._history.state, self.revision, self._opened
        same = folder == self.folder and state.says_as(self.saved_state)

        def write() -> None:
            # the report's libraries take long to load
            from cotyle.report.case_writing import stands_as_read, write_case, write_pdf_again

            if same and stands_as_read(opened):
                # comparisons and decisions that stand in it belong to this plan: they stay
                if pdf:
                    write_pdf_again(folder)
                self._workers.deliver(lambda: self._have_saved(opened, state, revision))
                return
            planned = plan_on(state.hip, state.plan)
            write_case(folder, opened, planned, pdf=pdf)
            saved = opened.saved_as(folder, state.plan, state.hip.anatomy)
            self._workers.deliver(lambda: self._have_saved(saved, state, revision))

        if self.surveying:
            raise InputError("survey-running", "what rests on the moved landmark is not known yet", "Save in a moment")
        self._workers.ask("files", write)

    def take_draft(self) -> None:
        """Take over the draft that an earlier session left, landmarks and plan, as one change."""
        if self.draft is None:
            return
        plan, points = self.draft, drafts.landmarks_of(self.draft)
        self.draft = None
        if drafts.same_points(points, given_of(self.anatomy.landmarks)):
            self._take(plan)
        else:
            self._survey(points, plan)

    def drop_draft(self) -> None:
        """Remove the draft that an earlier session left."""
        self.draft = None
        if not self.unsaved:
            drafts.remove_draft(self.folder)

    # within

    @property
    def _given(self) -> Mapping[str, Landmark]:
        return given_of(self.anatomy.landmarks) if self._surveyed is None else self._surveyed

    def _take(self, plan: PlanFile) -> None:
        if plan != self.plan:
            self._become(state_of(plan, self.hip), self._history.take)

    def _become(self, state: State, enter: Callable[[State], None]) -> None:
        with self._lock:
            numbers = live_numbers(state.hip, state.plan, self.numbers)
            enter(state)
            self.numbers = numbers
            self.revision += 1
        self._tell("plan")
        self._measure()
        if self._asked is not None:
            self._draw(coarse=False)
        self._workers.ask("draft", lambda: self._keep_draft(state), DRAFT_AFTER_S)

    def _survey(self, points: Mapping[str, Landmark], plan: PlanFile | None = None) -> None:
        """Find frames and sockets anew; ``plan`` is what then holds, else what was proposed is proposed again."""
        self._surveyed = points
        skeleton, side, scan = self.anatomy.skeleton, self.plan.side, self.case.scan

        def survey() -> None:
            try:
                anatomy = surveyed(skeleton, points, side)
                if isinstance(anatomy, Unplannable):
                    raise anatomy.error
                hip = hip_of(anatomy, scan, side)
            except InputError as error:
                words = str(error)
                self._workers.deliver(lambda: self._drop_survey(points, words))
                return
            except Exception:  # our fault, told as such; the point must not wait for ever
                self._workers.deliver(lambda: self._drop_survey(points))
                raise
            self._workers.deliver(lambda: self._settle_on(hip, points, plan))

        self._tell("plan")
        self._workers.ask("anatomy", survey)

    def _settle_on(self, hip: Hip, points: Mapping[str, Landmark], plan: PlanFile | None) -> None:
        if self._surveyed is not points:
            return
        try:
            plan = completed(hip, changes.with_open_proposals(self.plan)) if plan is None else plan
            self._surveyed = None
            self._become(state_of(plan, hip), self._history.take_apart)
        except InputError as error:
            self._surveyed = points
            self._drop_survey(points, str(error))

    def _drop_survey(self, points: Mapping[str, Landmark] | None = None, words: str = "") -> None:
        if points is None or self._surveyed is points:
            self._surveyed = None
            if words:
                self._fail(words)
            self._tell("plan")

    def _measure(self) -> None:
        revision, state = self.revision, self._history.state

        def measure() -> None:
            planned = plan_on(state.hip, state.plan)
            full = Full(revision, planned, measurements_of(planned, case_cues(planned)))
            self._workers.deliver(lambda: self._take_full(full))

        self._workers.ask("measure", measure, FULL_AFTER_S)

    def _take_full(self, full: Full) -> None:
        if self.full is None or full.revision > self.full.revision:
            self.full = full
            self._tell("full", full.revision)

    def _draw(self, coarse: bool, after_s: float = 0.0) -> None:
        asked, revision, numbers = self._asked, self.revision, self.numbers
        assert asked is not None

        def draw() -> None:
            shown, is_coarse = self._drawer.draw(numbers, asked, coarse)
            screen = Screen(revision, asked, shown, is_coarse)
            self._workers.deliver(lambda: self._take_screen(screen))

        self._workers.ask("screen", draw, after_s)

    def _take_screen(self, screen: Screen) -> None:
        self.screen = screen
        self._tell("screen", screen.revision)
        if screen.coarse and screen.asked == self._asked:
            self._draw(coarse=False, after_s=FINE_AFTER_S)

    def _have_saved(self, opened: OpenedCase, state: State, revision: int) -> None:
        self._opened, self.folder, self.saved_state = opened, opened.stored.folder, state
        self._tell("saved", revision)

    def _keep_draft(self, state: State) -> None:
        if state.says_as(self.saved_state):
            drafts.remove_draft(self.folder)
        else:
            drafts.write_draft(self.folder, state)

    def _fail(self, words: str) -> None:
        self.failure = words
        self._tell("failed")

    def _tell(self, kind: str, revision: int | None = None) -> None:
        self._workers.tell(kind, self.revision if revision is None else revision)
