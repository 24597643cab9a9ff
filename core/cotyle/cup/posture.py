"""What posture does to a cup: its orientation in each tilt of the pelvis, the tilts it stands, the beam to show them.

Everything is exact. A posture turns the pelvis about its transverse axis: one degree of anterior tilt takes one degree
from operative anteversion and leaves operative inclination (follows from Murray DW, J Bone Joint Surg Br
1993;75-B:228-32). Operative anteversion is the angle that a lateral film shows, there called ante-inclination.

The beam. On the table the pelvis lies as it does supine. A picture shows the pelvis of another posture if the C-arm
is tilted by the change of tilt: with the end of the beam in front of the patient towards the head (an inlet view) for
a pelvis that tilts forward, towards the feet (an outlet view) for one that tilts back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from cotyle.anatomy.pelvis import Pelvis
from cotyle.cup.orientation import Definition, Orientation, convert, tilted
from cotyle.errors import InputError
from cotyle.space.frames import Frame, rotated_about_left

FARTHEST_TILT_DEG = 60.0
_STEP_DEG, _EXACT_DEG = 0.25, 1e-9
# A tilt of the beam of less than this is not worth making; common practice, no source.
LEAVE_BELOW_DEG = 0.5


@dataclass(frozen=True)
class Zone:
    """The orientations that count as met; the bounds belong to it."""

    inclination_deg: tuple[float, float]
    anteversion_deg: tuple[float, float]
    definition: Definition

    def contains(self, orientation: Orientation) -> bool:
        """Return whether angles in the zone's own definition lie in it."""
        (left, right), (low, high) = self.inclination_deg, self.anteversion_deg
        return left <= orientation.inclination_deg <= right and low <= orientation.anteversion_deg <= high


def frame_at_tilt(pelvis: Pelvis, name: str, anterior_tilt_deg: float) -> Frame:
    """Return the frame of a posture in which the anterior pelvic plane is tilted forward by an angle.

    Rotation and obliquity are none, as in ``supine`` and ``standing``.
    """
    return rotated_about_left(pelvis.supine, name, anterior_tilt_deg - pelvis.anterior_tilt_deg)


def tilt_window_deg(supine: Orientation, definition: Definition, zone: Zone) -> tuple[float, float] | None:
    """Return the changes of anterior tilt, from and to, between which a cup stays in a zone.

    Parameters
    ----------
    supine:
        Its angles before the change, in ``definition``.

    Returns
    -------
    tuple or None
        The stretch about no change, 60 deg to either side at most; None where the cup is outside to begin with.
    """

    def within(change_deg: float) -> bool:
        try:
            turned = tilted(supine, definition, change_deg)
            return zone.contains(convert(turned, definition, zone.definition))
        except InputError:  # a definition leaves an angle open there
            return False

    if not within(0.0):
        return None
    return -_last_within(lambda change: within(-change)), _last_within(within)


def _last_within(within: Callable[[float], bool]) -> float:
    """Return the end of the stretch from zero on, by steps and then by halving."""
    low = 0.0
    while low < FARTHEST_TILT_DEG and within(low + _STEP_DEG):
        low += _STEP_DEG
    if low >= FARTHEST_TILT_DEG:
        return FARTHEST_TILT_DEG
    high = low + _STEP_DEG
    while high - low > _EXACT_DEG:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if within(middle) else (low, middle)
    return low


@dataclass(frozen=True)
class BeamTilt:
    """Tilt of the C-arm from the levelled view on the table; positive with the front end towards the head."""

    cranial_deg: float

    @property
    def towards(self) -> Literal["inlet", "outlet", "neither"]:
        """The view that it goes towards: ``inlet``, ``outlet``, or ``neither``."""
        if abs(self.cranial_deg) < LEAVE_BELOW_DEG:
            return "neither"
        return "inlet" if self.cranial_deg > 0 else "outlet"


def beam_for_posture(change_of_anterior_tilt_deg: float) -> BeamTilt:
    """Return the tilt of the beam that shows on the table a pelvis tilted forward by a further angle.

    The front of the frame of that posture, seen in the supine frame, leans by the same angle towards the head; see
    :func:`cotyle.space.frames.rotated_about_left`.
    """
    return BeamTilt(float(change_of_anterior_tilt_deg))


class Mobility(StrEnum):
    """Change of pelvic tilt from standing to sitting; limits in :func:`mobility_of`."""

    STIFF = "stiff"
    NORMAL = "normal"
    HYPERMOBILE = "hypermobile"


STIFF_BELOW_DEG, HYPERMOBILE_ABOVE_DEG = 10.0, 30.0
UNFAVOURABLE_FROM_DEG = 13.0
UNBALANCED_ABOVE_DEG = 10.0


def mobility_of(backward_tilt_deg: float) -> Mobility:
    """Return the class of a pelvis by how far it tilts back from standing to sitting.

    Below 10 deg stiff, 10 to 30 normal, above 30 hypermobile: Innmann MM et al., Bone Joint J 2019;101-B:902; Haffer
    H et al., J Clin Med 2020;9:2569 (by the sacral slope, which changes as much). The slope from standing to relaxed
    sitting calls many spines stiff that are not (Sharma AK et al., J Arthroplasty 2023;38:713-8).
    """
    if backward_tilt_deg < STIFF_BELOW_DEG:
        return Mobility.STIFF
    return Mobility.HYPERMOBILE if backward_tilt_deg > HYPERMOBILE_ABOVE_DEG else Mobility.NORMAL


def tilts_unfavourably(supine_to_standing_deg: float) -> bool:
    """Return whether the pelvis tilts back by 13 deg or more on standing: about 10 deg of functional anteversion.

    Langston J et al., Bone Joint J 2018;100-B:845. ``supine_to_standing_deg``: change of anterior tilt.
    """
    return supine_to_standing_deg <= -UNFAVOURABLE_FROM_DEG
