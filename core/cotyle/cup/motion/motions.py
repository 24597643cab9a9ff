"""The motions that are looked at, and how far each should go, with who says so.

"abstract read" and "from memory" tell what we have seen of a source. A wanted angle is a yardstick, not a promise
against dislocation: soft tissue, muscles and a tired patient aren't in it.
"""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, Move

_BUNN = "reached in 16 CT scans by well placed hips: Bunn et al., Clin Orthop Relat Res 2012;470:418-27 (abstract read)"
_KOUYOUMDJIAN = (
    "mean of 120 healthy adults: Kouyoumdjian et al., Orthop Traumatol Surg Res 2012;98:17-23 (abstract read)"
)


@dataclass(frozen=True)
class Motion:
    """One move from a pose; ``wanted_deg``: how far it should go, None where no source says; ``source``: who does."""

    name: str
    start: HipPose
    move: Move
    wanted_deg: float | None = None
    source: str = ""

    @property
    def words(self) -> str:
        """Name for a reader."""
        return self.name.replace("_", " ")


_AT_90 = HipPose(flexion_deg=90.0)
_AT_90_ADDUCTED = HipPose(flexion_deg=90.0, abduction_deg=-15.0)
_EXTENDED = HipPose(flexion_deg=-10.0)
_SQUAT = HipPose(flexion_deg=87.4)

STANDARD_MOTIONS: tuple[Motion, ...] = (
    Motion("flexion", NEUTRAL, Move.FLEXION, 110.0, _BUNN),
    Motion("extension", NEUTRAL, Move.EXTENSION, 30.0, _BUNN),
    Motion("abduction", NEUTRAL, Move.ABDUCTION, 45.0, f"{_BUNN}; given there as adduction-abduction"),
    Motion(
        "adduction",
        NEUTRAL,
        Move.ADDUCTION,
        17.0,
        "largest mean of daily tasks, putting on shoes: Hyodo et al., Braz J Phys Ther 2017;21:159-66 (abstract read)",
    ),
    Motion("external_rotation", NEUTRAL, Move.EXTERNAL_ROTATION, 40.0, _BUNN),
    Motion("internal_rotation", NEUTRAL, Move.INTERNAL_ROTATION, 29.6, _KOUYOUMDJIAN),
    Motion(
        "internal_rotation_at_90_flexion",
        _AT_90,
        Move.INTERNAL_ROTATION,
        30.0,
        "common practice, no source; healthy adults reach a mean of 37.9 seated (Kouyoumdjian 2012, abstract read)",
    ),
    Motion("internal_rotation_at_90_flexion_15_adduction", _AT_90_ADDUCTED, Move.INTERNAL_ROTATION),
    Motion("external_rotation_at_90_flexion", _AT_90, Move.EXTERNAL_ROTATION),
    Motion("external_rotation_at_10_extension", _EXTENDED, Move.EXTERNAL_ROTATION),
    Motion(
        "internal_rotation_in_a_squat_at_87_flexion",
        _SQUAT,
        Move.INTERNAL_ROTATION,
        10.1,
        "mean of 25 healthy adults who pick an object up: Shariff et al., J Orthop Surg Res 2011;6:11 (abstract read)",
    ),
)
