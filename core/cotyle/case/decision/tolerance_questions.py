"""What may be given about how exact hand, picture and depth are; one standard deviation each."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from cotyle.case.schema import Strict

Turn = Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0, le=30, allow_inf_nan=False)]
Chance = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class ToleranceQuestions(Strict):
    """What errs in theatre. How well landmarks and bone edges are known comes from the case itself.

    picture_*: of the pelvis' place in the picture that guides the hand. The turns are those at which the cup's angles
    err as published for one radiograph against the CT: inclination 1.0 +- 0.7, anteversion 1.7 +- 1.2 deg (Zheng G,
    Zhang X, Int J Comput Assist Radiol Surg 2010;5:437-47), so 1.2 and 2.1 deg root mean square. Cotyle's own on
    simulated pictures are far smaller (docs/validation-carm.md): no real ones were tried.

    hand_*: between what the picture last showed and the cup in the bone; our choice, no source. Without any picture
    cups spread by 6 and 7 deg on the film (67 hips: Grammatopoulos G et al., Bone Joint J 2014;96-B:1290-7; authors
    and journal from memory).
    """

    picture_tilt_deg: Turn = 2.1
    picture_rotation_deg: Turn = 2.1
    picture_turn_deg: Turn = 1.1
    picture_across_mm: Length = 1.0
    """Our choice, no source."""
    picture_depth_mm: Length = 3.0
    """Along the beam, which one picture shows badly; our choice, no source."""
    hand_inclination_deg: Turn = 2.5
    hand_anteversion_deg: Turn = 2.5
    hand_across_mm: Length = 1.0
    """Our choice, no source."""
    depth_mm: Length = 1.5
    """How far the reamer goes deeper or less deep than meant between two pictures; our choice, no source."""
    standing_tilt_deg: Turn | None = None
    """Of the tilt of the standing pelvis; else the posture's own, or 4.6 deg where nobody measured it: half the range
    of 1517 patients, 30.2 deg, over 3.3 (Pierrepont J et al., Bone Joint J 2017;99-B:184): normal, at its ends."""
    one_size_up: Chance = 0.1
    one_size_down: Chance = 0.1
    """Chances that another size is put in than planned; our choice, no source."""
    least_wall_mm: Length | None = None
    """Wall below which the cavity counts as too deep; else the plan's target."""
    accepted_chance: Annotated[float, Field(ge=0.001, le=0.5, allow_inf_nan=False)] = 0.025
    """Chance of that at the place to stop for a picture."""
    procedures: Annotated[int, Field(ge=1000, le=200_000)] = 10_000

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if self.one_size_up + self.one_size_down > 1.0:
            raise ValueError("one_size_up and one_size_down are more than 1 together")
        return self
