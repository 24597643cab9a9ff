"""Cup and stem version together.

Dorr et al., Clin Orthop Relat Res 2009;467:119-27: stem and cup version together within 25 to 50 degrees (range as
later papers quote it; the original not read, nor which definition of the cup's anteversion it means: so the sum is
given in two). Widmer and Zurfluh, J Orthop Res 2004;22:815-21: radiographic cup anteversion + 0.7 x stem version = 37.3
(from memory, for their implant). Both are rules of thumb beside the exact limits.
"""

from __future__ import annotations

from dataclasses import dataclass

TARGET_DEG = (25.0, 50.0)
WIDMER_SUM_DEG, WIDMER_STEM_SHARE = 37.3, 0.7


@dataclass(frozen=True)
class CombinedVersion:
    """Sums of cup and stem version in degrees, with the cup's anteversion by two definitions, in one frame."""

    radiographic_deg: float
    anatomic_deg: float
    widmer_excess_deg: float

    @property
    def within_target(self) -> bool:
        """Whether the radiographic sum lies in the target."""
        return TARGET_DEG[0] <= self.radiographic_deg <= TARGET_DEG[1]


def combined_version(radiographic_deg: float, anatomic_deg: float, stem_version_deg: float) -> CombinedVersion:
    """Return the sums for a cup's anteversion by two definitions and a stem's version."""
    return CombinedVersion(
        radiographic_deg + stem_version_deg,
        anatomic_deg + stem_version_deg,
        radiographic_deg + WIDMER_STEM_SHARE * stem_version_deg - WIDMER_SUM_DEG,
    )


def stem_version_for_target_deg(radiographic_deg: float) -> tuple[float, float]:
    """Return the stem versions that bring the radiographic sum to the ends of the target."""
    return TARGET_DEG[0] - radiographic_deg, TARGET_DEG[1] - radiographic_deg
