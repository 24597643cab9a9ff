"""Does the scan itself make results doubtful: slices too thick, blur or noise too strong, bone too thin?

The limits are ours. Synthetic scans with slices of 2.5 mm, with noise of 78 HU by a sharp kernel and with a cortex of
0.6 to 1 mm still keep within the bars of the validation; beyond that nothing was tried.
"""

from __future__ import annotations

from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.shapes.cortex_model import Blur

# Blur across the slices of 2 mm slices is 1.1 mm; within them of the softest usual kernels 1.05 mm.
MOST_ACROSS_MM, MOST_WITHIN_MM = 1.2, 1.2
# Blur times noise as a share of the density of cortex: 0.012 usual, 0.025 at a low dose, 0.04 in osteopenic bone.
MOST_NOISE_MM = 0.055


def scan_findings(blur: Blur) -> list[Finding]:
    """Return what the scan makes doubtful in both hips."""
    found = []
    if blur.across_mm is not None and blur.across_mm > MOST_ACROSS_MM:
        found.append(
            Finding(
                "slices-thick",
                f"the slices are thick (across them edges are blurred by {blur.across_mm:.1f} mm, one standard "
                "deviation): roof and lower end of the socket are less certain; give a thinner reconstruction if there "
                "is one",
                concerns=(Concern.CENTER, Concern.DIAMETER, Concern.COVERAGE),
            )
        )
    if blur.sigma_mm > MOST_WITHIN_MM:
        found.append(
            Finding(
                "scan-blurred",
                f"the scan is blurred by {blur.sigma_mm:.1f} mm (one standard deviation) within its slices: thin walls "
                "and narrow joints do not show; give a sharper reconstruction if there is one",
                concerns=(Concern.BONES, Concern.WALL, Concern.CENTER, Concern.DIAMETER),
            )
        )
    if blur.sigma_mm * blur.noise_hu > MOST_NOISE_MM * blur.cortex_hu:
        found.append(
            Finding(
                "scan-noisy",
                f"the scan is noisy ({blur.noise_hu:.0f} HU in soft tissue, cortex {blur.cortex_hu:.0f} HU): edges of "
                "bone are less certain",
                concerns=(Concern.BONES, Concern.WALL),
            )
        )
    if blur.thin_cortex:
        found.append(
            Finding(
                "cortex-thin",
                f"the cortex is too thin to show its own density, taken as {blur.cortex_hu:.0f} HU: walls may be off "
                "by a few tenths of a millimetre more than elsewhere",
                concerns=(Concern.WALL,),
            )
        )
    return found
