"""Does a click fit the others, and would it be noticed if it did not?

Of an error of click i, Q_i = I - A_i C A_i' stays visible in its own residual r_i; the rest the pose takes up. So
r_i' Q_i^-1 r_i is chi-square distributed while the click is right; a shift s of it makes that noncentral by s' Q_i s,
and moves an angle of slope e by e' C A_i' s (Baarda W, A testing procedure for use in geodetic networks, Netherlands
Geodetic Commission 1968: internal and external reliability).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from cotyle.space.arrays import Array
from cotyle.xray.levelling.point_fit import PointFit

# of a thousand pictures whose clicks are all right, one is found wrong: shared out among its clicks (Bonferroni)
_FALSE_ALARM = 0.001
# a shift found four times in five lies so many SDs beyond the threshold (Baarda 1968)
_POWER_SDS = 0.84
# a direction of which less stays visible is not tested: nothing else tells where the click belongs
_LEAST_VISIBLE = 0.05
WRONG_CLICK_MM = 10.0


@dataclass(frozen=True)
class ClickTest:
    """How one click stands to the others.

    ``likelihood``: how often a right click would stand so far off; ``off_mm``: how far it stands; ``fails``: too far.
    """

    name: str
    likelihood: float
    off_mm: float
    fails: bool


def click_tests(fit: PointFit, mm_per_px: Array) -> list[ClickTest]:
    """Return the test of each click; ``mm_per_px`` (2,) at the hip."""
    tests = []
    for index, each in enumerate(fit.sightings):
        rows = slice(0, each.numbers)
        residual = fit.residuals[index, rows]
        shares, axes = np.linalg.eigh(_visible(fit, index, each.numbers))
        tested = shares > _LEAST_VISIBLE
        projected = (axes.T @ residual)[tested]
        statistic = float((projected**2 / shares[tested]).sum())
        freedom = int(tested.sum())
        # what the click's place would have to change by for the others to agree with it
        shift = axes[:, tested] @ (projected / shares[tested])
        off_px = (
            np.linalg.solve(fit.whitening[index], shift)
            if each.across is None
            else each.across * shift / np.linalg.norm(fit.whitening[index, 0])
        )
        likelihood = float(chi2.sf(statistic, freedom)) if freedom else 1.0
        off_mm = float(np.linalg.norm(off_px * mm_per_px))
        tests.append(ClickTest(each.name, likelihood, off_mm, likelihood < _FALSE_ALARM / len(fit.sightings)))
    return tests


def unguarded(fit: PointFit, slopes: Array, mm_per_px: Array, shift_mm: float = WRONG_CLICK_MM) -> list[str]:
    """Return the clicks that could be wrong by so much unnoticed and put an angle outside its 95 % interval.

    ``slopes``: change in deg of each angle asked about for each unknown of the fit, (angles, unknowns).
    """
    limits = 1.96 * np.sqrt(np.einsum("ai,ij,aj->a", slopes, fit.covariance, slopes))
    turns = np.linspace(0.0, np.pi, 8, endpoint=False)
    noticed_at = float(norm.isf(0.5 * _FALSE_ALARM / len(fit.sightings))) + _POWER_SDS
    names = []
    for index, each in enumerate(fit.sightings):
        visible = _visible(fit, index, each.numbers)
        jacobian = fit.jacobian[index, : each.numbers]
        if each.across is None:
            directions = np.stack([np.cos(turns), np.sin(turns)])
            shifts = fit.whitening[index] @ (directions / np.asarray(mm_per_px)[:, None]) * shift_mm
        else:
            per_px = float(np.linalg.norm(fit.whitening[index, 0]))
            shifts = np.array([[per_px * shift_mm / float(np.linalg.norm(each.across * mm_per_px))]])
        noticed = np.einsum("id,ij,jd->d", shifts, visible, shifts) >= noticed_at**2
        harm = np.abs(slopes @ fit.covariance @ jacobian.T @ shifts) > limits[:, None]
        if (harm & ~noticed).any():
            names.append(each.name)
    return names


def misfit(fit: PointFit) -> tuple[float, float]:
    """Return chi-square of all clicks over its degrees of freedom, and how likely so much or more is."""
    taken = sum(np.trace(np.eye(e.numbers) - _visible(fit, i, e.numbers)) for i, e in enumerate(fit.sightings))
    freedom = sum(each.numbers for each in fit.sightings) - float(taken)
    total = float((fit.residuals**2).sum())
    if freedom < 0.5:
        return 0.0, 1.0
    return total / freedom, float(chi2.sf(total, freedom))


def _visible(fit: PointFit, index: int, numbers: int) -> Array:
    jacobian = fit.jacobian[index, :numbers]
    return np.asarray(np.eye(numbers) - jacobian @ fit.covariance @ jacobian.T)
