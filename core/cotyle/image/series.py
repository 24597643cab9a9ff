"""Sorting slices into series that can each be one volume."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from cotyle.image.slice_header import SliceHeader

SAME_ORIENTATION_DEG = 0.1
"""Slices whose rows and columns turn by less than this count as parallel; headers give cosines to 5 or 6 digits."""

SAME_POSITION_MM = 0.01
"""Slices closer together than this lie at one position; headers give positions to 0.001 mm or so."""


@dataclass(frozen=True, eq=False)
class DicomSeries:
    """Slices that share a series, a matrix, a grid direction and a way of reconstruction.

    ``siblings`` are the other parts of what the scanner called one series, in words.
    """

    slices: tuple[SliceHeader, ...]
    siblings: tuple[str, ...] = ()

    @property
    def first(self) -> SliceHeader:
        """A slice that speaks for the others in all they share."""
        return self.slices[0]

    @property
    def is_scout(self) -> bool:
        """Whether these are localizers."""
        return self.first.is_scout


def group_series(headers: Iterable[SliceHeader]) -> tuple[DicomSeries, ...]:
    """Split slices by series UID, patient, matrix, pixel spacing, orientation, kernel and image type, and, where
    positions then repeat or take turns, by acquisition or phase; order: series number, then UID, then size."""
    by_uid: dict[str, list[SliceHeader]] = defaultdict(list)
    for header in headers:
        by_uid[header.series_uid].append(header)
    found: list[DicomSeries] = []
    for slices in by_uid.values():
        parts = _parts(slices)
        for part in parts:
            others = tuple(_sibling(part, other) for other in parts if other is not part)
            found.append(DicomSeries(tuple(part), others))
    return tuple(sorted(found, key=_order))


def _parts(slices: Sequence[SliceHeader]) -> list[list[SliceHeader]]:
    buckets: dict[Hashable, list[SliceHeader]] = defaultdict(list)
    for header in sorted(slices, key=lambda h: (h.instance or 0, h.sop_uid, h.frame, str(h.path))):
        buckets[_key(header)].append(header)
    parts: list[list[SliceHeader]] = []
    for bucket in buckets.values():
        for parallel in _by_orientation(bucket):
            parts.extend(_by_acquisition(parallel))
    return sorted(parts, key=len, reverse=True)


def _key(header: SliceHeader) -> Hashable:
    spacing = header.pixel_spacing_mm
    return (
        header.study_uid,
        header.patient,
        header.frame_of_reference_uid,
        header.modality,
        header.rows,
        header.columns,
        tuple(round(s, 4) for s in spacing) if spacing and np.isfinite(spacing).all() else None,
        header.kernel,
        header.image_type,
    )


def _by_orientation(slices: Sequence[SliceHeader]) -> list[list[SliceHeader]]:
    """Split into parallel slices; those without an orientation stay with the largest part."""
    leaders: list[np.ndarray] = []
    parts: list[list[SliceHeader]] = []
    lost: list[SliceHeader] = []
    limit = 2 * np.sin(np.radians(SAME_ORIENTATION_DEG) / 2)  # chord of that angle between unit vectors
    for header in slices:
        if header.orientation is None or not np.isfinite(header.orientation).all():
            lost.append(header)
            continue
        axes = np.reshape(header.orientation, (2, 3))
        for leader, part in zip(leaders, parts, strict=True):
            if np.linalg.norm(axes - leader, axis=1).max() <= limit:
                part.append(header)
                break
        else:
            leaders.append(axes)
            parts.append([header])
    if not parts:
        return [lost]
    max(parts, key=len).extend(lost)
    return parts


def _by_acquisition(slices: list[SliceHeader]) -> list[list[SliceHeader]]:
    """Split by acquisition and phase if positions repeat and that undoes every repetition, or if they take turns."""
    acquisitions: dict[str, list[SliceHeader]] = defaultdict(list)
    for header in slices:
        acquisitions[header.acquisition].append(header)
    if len(acquisitions) < 2 or not (_repeats(slices) or _take_turns(slices)):
        return [slices]
    parts = list(acquisitions.values())
    # A single slice scanned again is a duplicate, not an acquisition of its own.
    if any(_repeats(part) for part in parts) or min(map(len, parts)) < 2:
        return [slices]
    return parts


def _repeats(slices: Sequence[SliceHeader]) -> bool:
    positions = {tuple(np.round(h.position_lps_mm, 2)) for h in slices if h.position_lps_mm is not None}
    return len(positions) < sum(h.position_lps_mm is not None for h in slices)


def _take_turns(slices: Sequence[SliceHeader]) -> bool:
    """Whether, in the order of positions, most neighbours are of another acquisition."""
    placed = [h for h in slices if h.position_lps_mm is not None and np.isfinite(h.position_lps_mm).all()]
    axes = next((h.orientation for h in placed if h.orientation is not None), None)
    if axes is None:
        return False
    normal = np.cross(axes[:3], axes[3:])
    ordered = sorted(placed, key=lambda h: float(np.array(h.position_lps_mm) @ normal))
    turns = sum(a.acquisition != b.acquisition for a, b in pairwise(ordered))
    return turns > len(ordered) / 2


def _sibling(part: Sequence[SliceHeader], other: Sequence[SliceHeader]) -> str:
    a, b = part[0], other[0]
    count = f"{len(other)} image{'s' if len(other) > 1 else ''}"
    if b.is_scout and not a.is_scout:
        return f"{count} of a scout"
    angle = _angle_deg(a, b)
    reasons = [
        (a.modality != b.modality, "another modality"),
        ((a.rows, a.columns) != (b.rows, b.columns), f"another matrix ({b.columns} x {b.rows})"),
        (angle > SAME_ORIENTATION_DEG, f"another orientation ({angle:.1f} deg away)"),
        (a.pixel_spacing_mm != b.pixel_spacing_mm, "another pixel spacing"),
        (a.kernel != b.kernel, "another kernel"),
        (a.image_type != b.image_type, "another image type"),
        (a.acquisition != b.acquisition, "another acquisition or phase"),
        (a.study_uid != b.study_uid, "another study"),
        (a.patient != b.patient, "another patient"),
    ]
    return f"{count} of " + next((text for differs, text in reasons if differs), "another frame of reference")


def _angle_deg(a: SliceHeader, b: SliceHeader) -> float:
    """Return the larger angle between the two slices' rows and between their columns; 0 where one has none."""
    if a.orientation is None or b.orientation is None:
        return 0.0
    pairs = zip(np.reshape(a.orientation, (2, 3)), np.reshape(b.orientation, (2, 3)), strict=True)
    angles = [np.degrees(np.arctan2(np.linalg.norm(np.cross(p, q)), np.dot(p, q))) for p, q in pairs]
    return float(np.nan_to_num(max(angles)))


def _order(series: DicomSeries) -> tuple[int, str, int, str]:
    first = series.first
    return (first.series_number or 0, first.series_uid, -len(series.slices), first.sop_uid)
