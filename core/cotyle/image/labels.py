"""Numbers and names of the bones in a label map."""

from __future__ import annotations

from cotyle.space.side import Side

BONE_LABELS: dict[int, str] = {
    1: "left_hip_bone",
    2: "right_hip_bone",
    3: "sacrum",
    4: "left_femur",
    5: "right_femur",
    6: "metal",
}
LABEL_OF_BONE: dict[str, int] = {name: number for number, name in BONE_LABELS.items()}


def hip_bone(side: Side) -> str:
    """Name of the hip bone of a side."""
    return f"{side}_hip_bone"


def femur(side: Side) -> str:
    """Name of the femur of a side."""
    return f"{side}_femur"
