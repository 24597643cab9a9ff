"""The fields that hold for one frame of a DICOM file: the frame's own before the shared ones before the file's."""

from __future__ import annotations

import math
from typing import Any

from pydicom.dataset import Dataset


class FrameFields:
    """Looks keywords up for one frame (from 1) of a file, as the functional groups of PS3.3 C.7.6.16 nest them."""

    def __init__(self, dataset: Dataset, frame: int) -> None:
        own = dataset.get("PerFrameFunctionalGroupsSequence") or ()
        shared = dataset.get("SharedFunctionalGroupsSequence") or ()
        groups = [*own[frame - 1 : frame], *shared[:1]]
        self._sources = [e.value[0] for group in groups for e in group if e.VR == "SQ" and e.value] + [dataset]
        self.of_its_own = bool(own)

    def get(self, keyword: str) -> Any:
        """Return the value, or None where it is absent or empty."""
        for source in self._sources:
            value = source.get(keyword)
            if value is not None and not (hasattr(value, "__len__") and len(value) == 0):
                return value
        return None

    def text(self, keyword: str) -> str:
        """Return a code in capitals; empty where there is none."""
        value = self.get(keyword)
        return value.strip().upper() if isinstance(value, str) else ""

    def number(self, keyword: str) -> float | None:
        """Return a finite number, or None."""
        return finite(self.get(keyword))

    def pair(self, keyword: str) -> tuple[float, float] | None:
        """Return two finite positive numbers, or None."""
        values = self.get(keyword)
        if values is None or isinstance(values, str) or not hasattr(values, "__len__") or len(values) != 2:
            return None
        first, second = finite(values[0]), finite(values[1])
        return (first, second) if first and second and first > 0 and second > 0 else None


def finite(value: Any) -> float | None:
    """Return a value as a finite float, or None."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None
