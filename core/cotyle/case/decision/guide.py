"""Whether one hip may stand for what the other should be.

Dysplasia: a lateral centre-edge angle below 20 deg (Wiberg 1939, from memory); protrusio: above 40 deg (a common
radiographic criterion).
"""

from __future__ import annotations

from cotyle.case.stages import Hip
from cotyle.space.side import Side

DYSPLASTIC_BELOW_DEG, PROTRUDED_ABOVE_DEG = 20.0, 40.0


def no_guide(hip: Hip, side: Side) -> str:
    """Return why the centre of a hip is no guide to where it should be, in words; empty where it is one."""
    return no_native_socket(hip, side) or misshapen(hip, side)


def no_native_socket(hip: Hip, side: Side) -> str:
    """Return why a hip shows no socket with its own head in it, in words; empty where it does."""
    if side in hip.anatomy.skeleton.metal_cups:
        return "holds an old cup"
    socket = hip.anatomy.sockets.get(side)
    if socket is None:
        return "was not found"
    return "" if socket.displaced is None else "has lost its head out of the socket"


def misshapen(hip: Hip, side: Side) -> str:
    """Return how a native socket is dysplastic or protruded, in words; empty where it is neither."""
    angle = hip.anatomy.sockets[side].lateral_center_edge_angle_deg
    if angle is not None and angle < DYSPLASTIC_BELOW_DEG:
        return f"is dysplastic (lateral centre-edge angle {angle:.0f} deg)"
    if angle is not None and angle > PROTRUDED_ABOVE_DEG:
        return f"is protruded (lateral centre-edge angle {angle:.0f} deg)"
    return ""
