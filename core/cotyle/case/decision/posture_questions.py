"""What may be given about posture."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from cotyle.case.schema import Strict

Tilt = Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
Deviation = Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)]


class GivenPosture(Strict):
    """What is known of the pelvis in one posture, from a lateral film or by number.

    ``anterior_tilt_deg``: of the anterior pelvic plane to the vertical (supine: to the table), positive with the ASIS
    in front of the tubercles. ``sacral_slope_deg``: of the endplate of S1 to the horizontal. The sacrum doesn't move in
    the pelvis (pelvic incidence = pelvic tilt + sacral slope; Legaye J et al., Eur Spine J 1998;7:99), so that two
    slopes differ by as much as two tilts; one slope alone tells no tilt.
    """

    anterior_tilt_deg: Tilt | None = None
    sacral_slope_deg: Tilt | None = None
    sd_deg: Deviation = 2.0
    """One standard deviation of what was read off the film: our choice, no source."""


class PostureQuestions(Strict):
    """The pelvis lying, standing and seated, and the spine above it."""

    supine: GivenPosture = GivenPosture()
    standing: GivenPosture = GivenPosture()
    seated: GivenPosture = GivenPosture()
    pelvic_incidence_deg: Annotated[float, Field(ge=0, le=120, allow_inf_nan=False)] | None = None
    lumbar_lordosis_deg: Tilt | None = None
    seated_ante_inclination_deg: tuple[Tilt, Tilt] = (34.2, 75.0)
    """Operative anteversion that is usual in a seated patient: 54.6, give or take twice 10.2 deg (Kanawade V, Dorr LD,
    Wan Z, J Bone Joint Surg Am 2014;96:978-86; 85 hips). What was seen, not what is safe."""

    @model_validator(mode="after")
    def _grow(self) -> Self:
        low, high = self.seated_ante_inclination_deg
        if low >= high:
            raise ValueError("seated_ante_inclination_deg must be the lower bound, then the upper one")
        return self
