"""What weakens the beam: mu of tissue, titanium and steel at one energy, apart from the code under test.

Mass attenuation in cm2/g at 50, 60 and 80 keV: Hubbell and Seltzer, NIST X-Ray Mass Attenuation Coefficients
(NISTIR 5632), table 4 (water, cortical bone of ICRU-44) and table 3 (titanium, iron); iron stands for steel. Written
down from memory, the first three agree with the core's own copy. Between energies straight in the logarithms of both.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

CT_KEV = 70.0
_ENERGIES_KEV = (50.0, 60.0, 80.0)
_PER_GRAM = {
    "water": (0.2269, 0.2059, 0.1837),
    "cortical_bone": (0.4242, 0.3148, 0.2229),
    "titanium": (1.213, 0.7661, 0.4052),
    "steel": (1.958, 1.205, 0.5952),
}
_DENSITY = {"water": 1.0, "cortical_bone": 1.92, "titanium": 4.506, "steel": 7.874}
# below this the scan shows air; the noise around -1000 HU would add up along a ray otherwise
AIR_BELOW_HU = -900


def mu_per_mm(material: str, kev: float) -> float:
    """Return mu in 1/mm at 50 to 80 keV."""
    if not _ENERGIES_KEV[0] <= kev <= _ENERGIES_KEV[-1]:
        raise ValueError(f"{kev} keV is outside the table")
    logarithm = np.interp(np.log(kev), np.log(_ENERGIES_KEV), np.log(_PER_GRAM[material]))
    return float(np.exp(logarithm)) * _DENSITY[material] / 10.0


def mu_of_hu(hu: npt.NDArray[np.int16], kev: float) -> npt.NDArray[np.float32]:
    """Return mu in 1/mm of CT numbers: thinned water up to 0 HU, then water and cortical bone mixed by volume."""
    table_hu = np.arange(-32768, 32768)
    water, bone = mu_per_mm("water", kev), mu_per_mm("cortical_bone", kev)
    ratio = mu_per_mm("cortical_bone", CT_KEV) / mu_per_mm("water", CT_KEV)
    share = np.maximum(table_hu, 0) / (1000.0 * (ratio - 1.0))
    table = water * (1.0 + np.minimum(table_hu, 0) / 1000.0) + share * (bone - water)
    table[table_hu < AIR_BELOW_HU] = 0.0
    # numbers from 0 up come first, the negative ones behind them: a 16-bit pattern is its own place in the table
    by_pattern = np.roll(table.astype(np.float32), -32768)
    return np.asarray(np.take(by_pattern, np.ascontiguousarray(hu, dtype=np.int16).view(np.uint16)))
