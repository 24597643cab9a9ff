"""The cup that was found in real pictures, in slices and 3D: dashed beside the planned one, with words."""

from __future__ import annotations

from typing import Any

import numpy as np
from cotyle.cup.component import Cup

from cotyle_platform.scene import parts
from cotyle_platform.session import PlanningSession
from cotyle_platform.web.bone import Bone
from cotyle_platform.web.panels.desk import desk_of


class FoundInBone:
    """Follows the desk; its words stand under the state's key ``bone_found``."""

    def __init__(self, bone: Bone, session: PlanningSession, state: Any) -> None:
        self._bone, self._session, self._state = bone, session, state
        self._desk = desk_of(session)
        self._desk.subscribe(lambda kind: self.show() if kind == "compared" else None)
        self._heard = session.subscribe(lambda kind, _: self._say() if kind == "plan" else None)
        self.show()

    def show(self) -> None:
        """Draw what the last comparison found, or nothing."""
        comparison = self._desk.comparison
        found = None if comparison is None else comparison.cup
        cup = None
        if found is not None:
            center, axis = np.array(found.center_lps_mm), np.array(found.opening_axis_lps)
            cup = Cup(self._session.plan.side, center, axis, found.outer_diameter_mm)
        with self._state:
            self._bone.scene.show_found(cup)
            if cup is not None:
                self._bone.set_shown(parts.FOUND, parts.FOUND in self._state.bone_shown)
        self._say()

    def _say(self) -> None:
        desk = self._desk
        found = desk.comparison is not None and desk.comparison.cup is not None
        old = ", of an earlier plan" if desk.compared_revision != self._session.revision else ""
        with self._state:
            self._state.bone_found = desk.compared_words + old if found else ""
