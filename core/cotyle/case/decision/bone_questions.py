"""What may be given about bone quality."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from cotyle.case.schema import Strict

Density = Annotated[float, Field(ge=-200, le=3000, allow_inf_nan=False)]


class BoneQuestions(Strict):
    """From where on bone is called soft, or hard; our choice, no source: none holds for the acetabulum and any scanner.

    Published limits (135 or 160 HU; Pickhardt PJ et al., Ann Intern Med 2013) are of the first lumbar
    vertebra at 120 kV and say nothing of this bone.
    """

    soft_below_hu: Density = 100.0
    """Median of the marrow behind the shell."""
    uneven_from: Annotated[float, Field(gt=1, le=10, allow_inf_nan=False)] = 1.6
    """Hardest over softest quarter of the bed from which the reamer is said to leave the hard one."""
