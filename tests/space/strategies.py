"""Random directions, rotations and frames for the laws."""

import numpy as np
from cotyle.space.arrays import unit
from cotyle.space.frames import Frame
from cotyle.space.rotations import rotation_matrix
from hypothesis import strategies as st

angles_deg = st.floats(-179.0, 179.0, allow_nan=False)
coordinates_mm = st.floats(-300.0, 300.0, allow_nan=False)
points = st.tuples(coordinates_mm, coordinates_mm, coordinates_mm).map(np.array)
directions = (
    st.tuples(*[st.floats(-1.0, 1.0, allow_nan=False)] * 3)
    .map(np.array)
    .filter(lambda v: np.linalg.norm(v) > 0.1)
    .map(unit)
)
rotations = st.builds(rotation_matrix, directions, angles_deg)


def _frame(rotation, origin) -> Frame:
    return Frame("some frame", origin, *(unit(row) for row in rotation))


frames = st.builds(_frame, rotations, points)
