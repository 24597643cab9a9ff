"""How sure the cues of a picture are: what the landmarks that they are read against leave open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from cotyle.cup.cavity import ReamingStep
from cotyle.space.arrays import as_vector
from cotyle.space.shapes import Circle
from cotyle.xray.misplaced import readings
from cotyle.xray.reaming_cues import Sight, read_screen


def landmark_spread(
    view: Sight, rim: Circle, uncertainty_mm: Mapping[str, float], floors: Sequence[ReamingStep] = ()
) -> dict[str, float]:
    """Return one standard deviation of each cue of a picture, by name, in the cue's own unit.

    Each landmark is moved by its deviation across the picture and up it; the changes of a cue add as squares (first
    order propagation). A cue that rests on no landmark has 0, one that isn't read is left out.

    Parameters
    ----------
    uncertainty_mm:
        One standard deviation of each landmark along any axis, mm by name.
    """
    planned = readings(read_screen(view, rim, floors))
    squares = {name: 0.0 for name, value in planned.items() if value is not None}
    side = view.side
    used = ("teardrop_left", "teardrop_right", f"superolateral_rim_{side}", f"si_joint_inferior_{side}")
    for mark in used:
        if mark not in view.landmarks_lps_mm or mark not in uncertainty_mm:
            continue
        place = as_vector(view.landmarks_lps_mm[mark], mark)
        for direction in (view.carm.column_direction_lps, view.carm.row_direction_lps):
            moved = {**view.landmarks_lps_mm, mark: place + uncertainty_mm[mark] * direction}
            found = readings(read_screen(replace(view, landmarks_lps_mm=moved), rim, floors))
            for name in squares:
                now, was = found[name], planned[name]
                if now is not None and was is not None:
                    squares[name] += (now - was) ** 2
    return {name: float(np.sqrt(total)) for name, total in squares.items()}
