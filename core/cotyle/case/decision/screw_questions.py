"""What may be given about screws."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cotyle.case.schema import Strict

Component = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]


class ScrewAsked(Strict):
    """A screw to be looked at: its place on the shell (see :mod:`cotyle.cup.screws.quadrants`), direction and length.

    ``direction_lps`` points out of the shell into the bone; straight out of the cup's centre without it. ``length_mm``
    counts from the shell's outer surface.
    """

    from_pole_deg: Annotated[float, Field(ge=0, le=90, allow_inf_nan=False)]
    around_deg: Annotated[float, Field(ge=0, lt=360, allow_inf_nan=False)]
    direction_lps: tuple[Component, Component, Component] | None = None
    length_mm: Annotated[float, Field(gt=0, le=90, allow_inf_nan=False)] | None = None


class ScrewQuestions(Strict):
    """What screws must keep; the numbers are common practice or our choice, no source."""

    screws: Annotated[tuple[ScrewAsked, ...], Field(max_length=20)] = ()
    diameter_mm: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 6.5
    clearance_mm: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 2.0
    """Between the screw's flank and the inner surface of the pelvis."""
    end_mm: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 2.0
    """Between the screw's tip and where it would leave the bone."""
    hand_deg: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 5.0
    """How far beside its direction the hand may drill."""
    longest_mm: Annotated[float, Field(gt=0, le=90, allow_inf_nan=False)] = 50.0
    """Length beyond which a screw gains nothing."""
    longest_posterior_inferior_mm: Annotated[float, Field(gt=0, le=90, allow_inf_nan=False)] = 20.0
    """Wasielewski et al., J Bone Joint Surg Am 1990;72:501-8, after a teaching page: below 20 mm in that quadrant."""
    high_center_share: Annotated[float, Field(gt=0, le=2, allow_inf_nan=False)] = 0.25
    """Rise of the hip centre, in native diameters, from which quadrants are doubted; published for 0.5, a quarter is
    our choice."""
