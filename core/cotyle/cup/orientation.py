"""Orientation of the cup: three definitions, exact conversions, posture.

Definitions: Murray DW. The definition and measurement of acetabular orientation. J Bone Joint Surg Br
1993;75-B:228-32. In hip-sided components of the opening axis, x lateral, y anterior, z superior:

============  ==========================================  ==========================================
definition    inclination                                 anteversion
============  ==========================================  ==========================================
radiographic  longitudinal axis to the axis projected on  the axis to the coronal plane, asin(y)
              the coronal plane, atan2(x, -z)
operative     the axis to the sagittal plane, asin(x)     longitudinal axis to the axis projected on
                                                          the sagittal plane, atan2(y, -z)
anatomic      the axis to the longitudinal axis,          transverse axis to the axis projected on
              acos(-z)                                    the transverse plane, atan2(y, x)
============  ==========================================  ==========================================

Left and right hips share the formulas: the lateral component is the left component times the side's sign.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, read_only, unit
from cotyle.space.frames import Frame
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side

# Length of the projection below which its direction is rounding noise.
_DEGENERATE = 1e-9


class Definition(StrEnum):
    """Which of the three definitions (Murray 1993) a pair of angles follows."""

    RADIOGRAPHIC = "radiographic"
    OPERATIVE = "operative"
    ANATOMIC = "anatomic"


@dataclass(frozen=True)
class Orientation:
    """Inclination and anteversion in degrees; meaningless without a definition and a frame beside them.

    Anteversion is negative in retroversion. Inclination above 90 is a mouth that looks upwards.
    """

    inclination_deg: float
    anteversion_deg: float


def hip_components(direction_lps: npt.ArrayLike, frame: Frame, side: Side) -> Array:
    """Return (lateral, anterior, superior) components of a direction in a frame, shape (3,)."""
    left, posterior, superior = frame.direction_to_frame(as_vector(direction_lps, "direction"))
    return read_only(np.array([left * side.lateral_sign, -posterior, superior]))


def direction_from_hip_components(components: npt.ArrayLike, frame: Frame, side: Side) -> Array:
    """Return the LPS direction of (lateral, anterior, superior) components; inverse of ``hip_components``."""
    lateral, anterior, superior = as_vector(components, "components")
    return read_only(frame.direction_to_lps(np.array([lateral * side.lateral_sign, -anterior, superior])))


def checked_opening_axis(axis_lps: npt.ArrayLike, frame: Frame, side: Side) -> Array:
    """Return the unit opening axis, having checked that it can be one.

    The opening axis leaves the cup through its mouth. An axis with no lateral part and no downward part looks
    into the body: it is the axis taken the other way round, or belongs to the other side. It is refused, never
    turned about silently. Tilting the pelvis leaves the lateral part alone, so no posture trips the rule.

    Raises
    ------
    InputError
        ``axis-inwards``; ``not-finite``, ``vector-shape`` or ``zero-direction`` for what is no direction.
    """
    axis = unit(axis_lps, "opening axis")
    lateral, _, superior = hip_components(axis, frame, side)
    straight_forward = abs(lateral) <= _DEGENERATE and abs(superior) <= _DEGENERATE
    if lateral <= _DEGENERATE and superior >= -_DEGENERATE and not straight_forward:
        raise InputError(
            "axis-inwards",
            f"the opening axis points medially and upwards for a {side} hip in the {frame.name} frame",
            "Give the axis out of the cup's mouth, or check the side",
        )
    return axis


def orientation_of_axis(axis_lps: npt.ArrayLike, frame: Frame, side: Side, definition: Definition) -> Orientation:
    """Return the two angles of an opening axis.

    Parameters
    ----------
    axis_lps:
        Direction out of the cup's mouth, LPS, any length.

    Raises
    ------
    InputError
        ``axis-inwards`` (see :func:`checked_opening_axis`); ``orientation-undefined`` where the definition
        leaves one of its angles open: radiographic at 90 degrees of anteversion, operative at 90 degrees of
        inclination, anatomic at 0 degrees of inclination.
    """
    axis = checked_opening_axis(axis_lps, frame, side)
    return _angles(hip_components(axis, frame, side), Definition(definition))


def angles_of_axes(axes_lps: Array, frame: Frame, side: Side, definition: Definition) -> Array:
    """Return inclination and anteversion (n, 2), degrees, of many unit opening axes (n, 3); NaN where left open."""
    left, posterior, superior = (axes_lps @ axis for axis in (frame.left, frame.posterior, frame.superior))
    pairs, projected = _pairs_deg(np.stack([left * side.lateral_sign, -posterior, superior], axis=-1), definition)
    pairs[projected < _DEGENERATE] = np.nan
    return pairs


def axes_of_radiographic(angles_deg: Array, frame: Frame, side: Side) -> Array:
    """Return the unit opening axes (n, 3) in LPS of radiographic inclination and anteversion (n, 2), degrees."""
    (si, sa), (ci, ca) = np.sin(np.radians(angles_deg)).T, np.cos(np.radians(angles_deg)).T
    lateral, anterior, superior = si * ca, sa, -ci * ca
    return np.asarray(
        np.outer(lateral * side.lateral_sign, frame.left)
        - np.outer(anterior, frame.posterior)
        + np.outer(superior, frame.superior)
    )


def axis_from_orientation(orientation: Orientation, definition: Definition, frame: Frame, side: Side) -> Array:
    """Return the unit opening axis in LPS, shape (3,); raises as :func:`convert` does, and ``axis-inwards``."""
    components = _components(orientation, Definition(definition))
    return checked_opening_axis(direction_from_hip_components(components, frame, side), frame, side)


def convert(orientation: Orientation, source: Definition, target: Definition) -> Orientation:
    """Convert angles between definitions within one frame, exactly.

    Raises
    ------
    InputError
        ``orientation-range`` for angles that the source definition cannot produce, ``orientation-undefined``
        as in :func:`orientation_of_axis`.
    """
    return _angles(_components(orientation, Definition(source)), Definition(target))


def orientation_table(
    axis_lps: npt.ArrayLike, frames: Iterable[Frame], side: Side
) -> dict[str, dict[Definition, Orientation]]:
    """Return the orientation in every frame and definition, by frame name; raises as its parts do."""
    return {
        frame.name: {each: orientation_of_axis(axis_lps, frame, side, each) for each in Definition} for frame in frames
    }


def tilted(orientation: Orientation, definition: Definition, anterior_tilt_change_deg: float) -> Orientation:
    """Return the orientation after the pelvis has tilted further forward, in the same definition.

    Exact: tilting takes one degree of operative anteversion for each degree of anterior tilt and leaves
    operative inclination (a rotation about the transverse axis; follows from Murray 1993).
    """
    operative = convert(orientation, definition, Definition.OPERATIVE)
    turned = Orientation(operative.inclination_deg, _wrapped(operative.anteversion_deg - anterior_tilt_change_deg))
    return convert(turned, Definition.OPERATIVE, definition)


def tilt_slopes(radiographic: Orientation) -> tuple[float, float]:
    """Return the change of radiographic (inclination, anteversion) per degree of further anterior tilt.

    With t backwards, d RA / dt = cos RI and d RI / dt = sin RI tan RA (derived from Murray 1993); the often
    quoted 0.7 to 0.8 degrees of anteversion per degree of tilt is cos RI at the usual inclination.
    """
    inclination = np.radians(radiographic.inclination_deg)
    anteversion = np.radians(radiographic.anteversion_deg)
    return float(-np.sin(inclination) * np.tan(anteversion)), float(-np.cos(inclination))


def angle_between_orientations_deg(first: Orientation, second: Orientation, definition: Definition) -> float:
    """Return the angle in space between two opening axes given in one frame and definition, degrees."""
    kind = Definition(definition)
    return float(angle_between_deg(_components(first, kind), _components(second, kind)))


def mean_axis(axes_lps: npt.ArrayLike) -> Array:
    """Return the direction of the vector mean of unit axes (n, 3): the only mean that all definitions share.

    Raises
    ------
    InputError
        ``zero-direction`` if they cancel out.
    """
    axes = np.array([unit(axis, "opening axis") for axis in np.atleast_2d(np.asarray(axes_lps, dtype=float))])
    mean = axes.mean(axis=0)
    if np.linalg.norm(mean) < _DEGENERATE:
        raise InputError("zero-direction", "the axes cancel out and have no mean")
    return unit(mean)


def _angles(components: Array, definition: Definition) -> Orientation:
    """Return the angles of hip-sided unit components (lateral, anterior, superior)."""
    (inclination, anteversion), projected = _pairs_deg(components, definition)
    if projected < _DEGENERATE:
        raise InputError(
            "orientation-undefined",
            f"the axis is at right angles to the plane or axis that the {definition} angles are measured from",
            "Use another definition",
        )
    return Orientation(float(inclination), float(anteversion))


def _pairs_deg(components: Array, definition: Definition) -> tuple[Array, Array]:
    """Return inclination and anteversion (..., 2) of components (..., 3), and the length of what is projected (...)."""
    lateral, anterior, superior = np.moveaxis(components, -1, 0)
    # atan2 keeps its accuracy where asin and acos lose half of their digits
    if definition is Definition.RADIOGRAPHIC:
        projected = np.hypot(lateral, superior)
        pair = np.arctan2(lateral, -superior), np.arctan2(anterior, projected)
    elif definition is Definition.OPERATIVE:
        projected = np.hypot(anterior, superior)
        pair = np.arctan2(lateral, projected), np.arctan2(anterior, -superior)
    else:
        projected = np.hypot(lateral, anterior)
        pair = np.arctan2(projected, -superior), np.arctan2(anterior, lateral)
    return np.degrees(np.stack(pair, axis=-1)), np.asarray(projected)


def _components(orientation: Orientation, definition: Definition) -> Array:
    """Return hip-sided unit components (lateral, anterior, superior) of angles."""
    given = np.array([orientation.inclination_deg, orientation.anteversion_deg], dtype=float)
    if not np.isfinite(given).all():
        raise InputError("not-finite", "inclination and anteversion must be finite numbers of degrees")
    lowest, highest = _ANGLE_RANGES_DEG[definition]
    if (given < lowest).any() or (given > highest).any():
        raise InputError(
            "orientation-range",
            f"{definition} inclination {given[0]:g} and anteversion {given[1]:g} deg are outside "
            f"{lowest[0]:g} to {highest[0]:g} and {lowest[1]:g} to {highest[1]:g}",
        )
    (si, sa), (ci, ca) = np.sin(np.radians(given)), np.cos(np.radians(given))
    if definition is Definition.RADIOGRAPHIC:
        return np.array([si * ca, sa, -ci * ca])
    if definition is Definition.OPERATIVE:
        return np.array([si, ci * sa, -ci * ca])
    return np.array([si * ca, si * sa, -ci])


_ANGLE_RANGES_DEG: dict[Definition, tuple[tuple[float, float], tuple[float, float]]] = {
    Definition.RADIOGRAPHIC: ((-180.0, -90.0), (180.0, 90.0)),
    Definition.OPERATIVE: ((-90.0, -180.0), (90.0, 180.0)),
    Definition.ANATOMIC: ((0.0, -180.0), (180.0, 180.0)),
}


def _wrapped(angle_deg: float) -> float:
    """Return the angle in (-180, 180]."""
    return 180.0 - (180.0 - angle_deg) % 360.0
