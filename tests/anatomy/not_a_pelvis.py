"""Crude scans of other parts of the body, to be refused: shells and rods of bone density in soft tissue."""

import numpy as np
from cotyle.image.volume import Volume
from scipy.ndimage import gaussian_filter


def _axes(size, spacing_mm):
    k, j, i = np.meshgrid(*[np.arange(n) for n in size[::-1]], indexing="ij")
    middle = (np.array(size) - 1) / 2
    return [(index - m) * s for index, m, s in zip((i, j, k), middle, spacing_mm, strict=True)]


def _scan(hu, spacing_mm) -> Volume:
    noisy = gaussian_filter(hu, 0.8) + np.random.default_rng(0).normal(0.0, 22.0, hu.shape)
    return Volume(noisy.astype(np.int16), np.diag([*spacing_mm, 1.0]))


def head() -> Volume:
    """A skull's shell, a jaw and a neck."""
    spacing = (1.6, 1.6, 1.6)
    x, y, z = _axes((150, 150, 150), spacing)
    skin = (x / 85) ** 2 + (y / 105) ** 2 + (z / 100) ** 2 < 1
    outer = (x / 78) ** 2 + (y / 98) ** 2 + (z / 92) ** 2 < 1
    inner = (x / 71) ** 2 + (y / 91) ** 2 + (z / 85) ** 2 < 1
    jaw = (np.abs(x) < 45) & (y < -50) & (z < -30) & skin & ((x / 40) ** 2 + ((y + 40) / 60) ** 2 > 0.7)
    neck = (x / 12) ** 2 + ((y - 40) / 12) ** 2 < 1
    hu = np.where(skin, 40.0, -1000.0)
    hu[outer & ~inner] = 1200.0
    hu[jaw] = 700.0
    hu[neck & (z < -60)] = 500.0
    return _scan(hu, spacing)


def chest() -> Volume:
    """Lungs, slanting ribs, a spine and a breastbone."""
    spacing = (1.8, 1.8, 1.8)
    x, y, z = _axes((210, 160, 160), spacing)
    body = (x / 180) ** 2 + (y / 120) ** 2 < 1
    lungs = ((np.abs(x) - 75) / 60) ** 2 + (y / 85) ** 2 + (z / 140) ** 2 < 1
    ribs = (np.abs(np.hypot(x / 150, y / 100) - 1) < 0.045) & ((z + 0.35 * y) % 28 < 9)
    spine = (x / 18) ** 2 + ((y - 75) / 18) ** 2 < 1
    marrow = (x / 15) ** 2 + ((y - 75) / 15) ** 2 < 1
    hu = np.where(body, 30.0, -1000.0)
    hu[lungs] = -850.0
    hu[ribs & body] = 900.0
    hu[spine] = 700.0
    hu[marrow] = 250.0
    hu[(np.abs(x) < 20) & (np.abs(y + 95) < 6) & (z > -60)] = 500.0
    return _scan(hu, spacing)


def nothing() -> Volume:
    """Noise in soft tissue."""
    return Volume(
        np.random.default_rng(0).normal(30, 40, (120, 140, 140)).astype(np.int16), np.diag([1.6, 1.6, 1.6, 1])
    )
