"""Limits beyond which something about an old cup is pointed out."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cotyle.case.schema import Strict

Length = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class RevisionQuestions(Strict):
    """Limits of the words in a revision; none of them is a class of a published scheme, which also asks what was found
    at operation.
    """

    migration_mm: Length = 20.0
    """Of the hip centre upwards: where mild becomes severe in Paprosky's scheme (as tabulated after Telleria JJM, Gee
    AO, Clin Orthop Relat Res 2013;471:3725-30; the 1994 original counts from the superior obturator line)."""
    loss_share: Share = 0.3
    """Of a region's bone: the lower end of what was called severe loss of the rim, 30 to 60 % (from memory)."""
    thin_wall_mm: Length = 3.0
    """Bone behind the old cup; our choice, no source."""
    line_mm: Length = 2.0
    """Dark line between cup and bone that makes a cup look loose; common practice, no source."""
    line_share: Share = 0.4
    """Share of the seen bed that shows a line of 1 mm or more; our choice, no source."""
