"""The words in which a plan is changed."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.case import plan_changes as changes
from cotyle.case.live import LiveNumbers
from cotyle.case.plan_file import FrameName, PlanFile
from cotyle.case.stages import Hip
from cotyle.cup.orientation import Definition


class PlanChanges:
    """Each change makes one step of undo, or none if it changes nothing.

    All raise InputError for what makes no plan or no cup; then nothing changes.
    """

    numbers: LiveNumbers
    angles_in: tuple[Definition, FrameName]

    @property
    def plan(self) -> PlanFile:
        """The complete plan."""
        raise NotImplementedError

    @property
    def hip(self) -> Hip:
        """The hip with its anatomy, as the plan stands on it."""
        raise NotImplementedError

    def _take(self, plan: PlanFile) -> None:
        raise NotImplementedError

    def change(self, **what: Any) -> None:
        """Change the plan: ``outer_diameter_mm``, ``center_lps_mm``, ``orientation``, ``posture``, ``reaming``,
        ``targets``, each as its model or as a dict of those fields that change. Another posture leaves the cup where
        it is in the pelvis.
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
        chosen = (Definition(definition or shown[0]), frame or shown[1])
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
