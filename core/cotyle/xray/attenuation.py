"""From Hounsfield units to linear attenuation at the energy of the X-ray picture.

A CT gives mu relative to water at the CT's own effective energy. A C-arm works at a lower one, where bone gains
more than water does, so a straight line through water alone is wrong for bone. The curve here is piecewise linear
through air, water, cortical bone and titanium, each at its HU at the CT's energy and its mu at the picture's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only

LOWEST_HU = -32768
"""HU of the first entry of :attr:`AttenuationCurve.table`."""

DEFAULT_CT_KEV = 70.0
"""Effective energy of a 120 kV CT, about 70 keV (common practice, no source)."""

DEFAULT_XRAY_KEV = 60.0
"""Effective energy taken for a filtered pelvic beam of 75 to 90 kV after the body (our choice)."""

_ENERGIES_KEV = np.array([40.0, 50.0, 60.0, 80.0, 100.0])
# mass attenuation, cm2/g, and density, g/cm3: Hubbell and Seltzer, NIST X-Ray Mass Attenuation Coefficients
# (NISTIR 5632), table 4 (water, cortical bone ICRU-44) and table 3 (titanium; iron, which stands for steel)
_MATERIALS: dict[str, tuple[float, tuple[float, ...]]] = {
    "water": (1.0, (0.2683, 0.2269, 0.2059, 0.1837, 0.1707)),
    "cortical_bone": (1.92, (0.6655, 0.4242, 0.3148, 0.2229, 0.1855)),
    "titanium": (4.506, (2.214, 1.213, 0.7661, 0.4052, 0.2721)),
    "iron": (7.874, (3.629, 1.958, 1.205, 0.5952, 0.3717)),
}


def linear_attenuation_per_mm(material: str, energy_kev: float) -> float:
    """Return mu in 1/mm of ``water``, ``cortical_bone``, ``titanium`` or ``iron`` (steel), 40 to 100 keV.

    Between the energies of the table a cubic spline runs through the logarithms of both.

    Raises
    ------
    InputError
        ``attenuation-energy`` outside the table, ``attenuation-material`` for another name.
    """
    if material not in _MATERIALS:
        raise InputError("attenuation-material", f"no attenuation is known for {material!r}")
    if not _ENERGIES_KEV[0] <= energy_kev <= _ENERGIES_KEV[-1]:
        raise InputError("attenuation-energy", f"an energy of {energy_kev} keV is outside 40 to 100 keV")
    density, per_gram = _MATERIALS[material]
    spline = CubicSpline(np.log(_ENERGIES_KEV), np.log(per_gram))
    return float(np.exp(spline(np.log(energy_kev)))) * density / 10.0


@dataclass(frozen=True, eq=False)
class AttenuationCurve:
    """A piecewise linear curve from HU to mu in 1/mm, and the energies it holds for.

    Beyond the last knot the last slope goes on (metal of more than titanium's HU); mu is never below zero.
    """

    hu: Array
    mu_per_mm: Array
    ct_kev: float
    xray_kev: float

    def __call__(self, hu: npt.ArrayLike) -> Array:
        """Return mu in 1/mm for HU of any shape."""
        values = np.asarray(hu, dtype=float)
        slope = (self.mu_per_mm[-1] - self.mu_per_mm[-2]) / (self.hu[-1] - self.hu[-2])
        beyond = np.maximum(values - self.hu[-1], 0.0) * slope
        return np.asarray(np.interp(values, self.hu, self.mu_per_mm) + beyond)

    @property
    def table(self) -> npt.NDArray[np.float32]:
        """Mu in 1/mm for each HU of a 16-bit CT, from ``LOWEST_HU``; shape (65536,)."""
        return self(np.arange(LOWEST_HU, -LOWEST_HU)).astype(np.float32)


def hounsfield(mu_per_mm: float, ct_kev: float = DEFAULT_CT_KEV) -> float:
    """Return HU = 1000 (mu - mu_water) / mu_water, mu and water both at the CT's energy."""
    water = linear_attenuation_per_mm("water", ct_kev)
    return 1000.0 * (mu_per_mm - water) / water


@lru_cache(maxsize=16)
def attenuation_curve(
    xray_kev: float = DEFAULT_XRAY_KEV, ct_kev: float = DEFAULT_CT_KEV, air_below_hu: float | None = None
) -> AttenuationCurve:
    """Return the curve through air, water, cortical bone and titanium.

    Air counts 0: its mu is 0.1 % of water's, and the open beam that the exposure refers to crosses the same air.

    Parameters
    ----------
    xray_kev, ct_kev:
        Effective energy of the picture and of the CT, 40 to 100 keV.
    air_below_hu:
        If given, all below counts 0. Noise of air is cut at -1000 HU on one side only and so adds up along a ray,
        about 1 % of a pelvis; such a threshold takes it away, and changes what the line integral means.
    """
    materials = ("water", "cortical_bone", "titanium")
    hu = [-1000.0, *(hounsfield(linear_attenuation_per_mm(name, ct_kev), ct_kev) for name in materials)]
    mu = [0.0, *(linear_attenuation_per_mm(name, xray_kev) for name in materials)]
    if air_below_hu is not None:
        if not -1000.0 < air_below_hu < 0.0:
            raise InputError("attenuation-air", f"a threshold of air of {air_below_hu} HU is outside -1000 to 0")
        at_threshold = float(np.interp(air_below_hu, hu, mu))
        hu[:1] = [air_below_hu - 1e-6, air_below_hu]
        mu[:1] = [0.0, at_threshold]
    return AttenuationCurve(read_only(np.array(hu)), read_only(np.array(mu)), ct_kev, xray_kev)


def transmission(line_integral: npt.ArrayLike) -> Array:
    """Return I / I0 = exp(-line integral of mu) (Beer and Lambert)."""
    return np.asarray(np.exp(-np.asarray(line_integral, dtype=float)))
