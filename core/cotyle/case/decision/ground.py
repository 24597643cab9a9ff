"""One hip ready for trying thousands of cups."""

from __future__ import annotations

from cotyle.case.stages import Hip
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.quick import Ground

FIELD_HALF_MM = 75.0
"""How far about the native centre bone is known: a large cup, moved a long way, and its walls."""


def ground_of(hip: Hip) -> Ground:
    """Return the field of a hip's bone about its native centre, with its inner surface."""
    field = bone_field(hip.bone, hip.socket.center_lps_mm, FIELD_HALF_MM)
    return Ground(field, hip.inner, hip.socket.center_lps_mm)
