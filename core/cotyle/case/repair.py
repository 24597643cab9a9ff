"""Corrections of a case by file: labels and landmarks, and what has to be done again because of them.

*Landmarks.* A point of the file counts as given if it lies elsewhere than it was found, or if the file says that its
origin is ``given``; so the case's own file can be taken, a line changed, and handed back. Where a point was found is
what the file itself says (``found_lps_mm``), or else what the case says. A given point can be taken back by naming its
origin ``detected``. Only frames and sockets are found again.

*Labels.* A bone counts as redrawn if its label in the file differs from the case's own; bones that the file does not
hold stay. The surface of a redrawn bone is that of its label, moved by less than a voxel to the edge of bone where the
scan shows one; the others stay to the last digit. What the shape model said of landmarks and of the socket's
regions is carried over to the new surface. That holds while the bone is about the same: where less than ``LEAST_ALIKE``
of it is, the model is fitted to the labels anew, as for a label map that was given from the start.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.anatomy.landmark_files import LandmarkRecord, plain_name, read_landmarks
from cotyle.anatomy.landmarks import GIVEN_UNCERTAINTY_MM, AnatomySeeds, Landmark, Landmarks, Origin, given
from cotyle.anatomy.made_up_slices import less_sure
from cotyle.anatomy.seeds import seeds_from
from cotyle.anatomy.segmentation.clear_spread import clear_spread
from cotyle.anatomy.segmentation.edge_confidence import judge_edges
from cotyle.anatomy.segmentation.given_bones import bones_from_labels, drawn_surface, fill_interiors, label_flaws
from cotyle.case.anatomy_file import DrawnLabels, Skeleton
from cotyle.case.anatomy_stages import Progress, given_of, label_digest
from cotyle.errors import InputError
from cotyle.image.labels import LABEL_OF_BONE, hip_bone
from cotyle.image.metal import find_metal
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

MOVED_MM = 0.05
"""A point of a file that lies farther than this from the case's own was moved."""
LEAST_ALIKE = 0.9
"""Dice of a bone before and after, below which the shape model is fitted anew."""
CARRIED_MM = 8.0
"""A carried point farther than this from the new surface stays where it was."""
_REDRAWN = "bones-redrawn"


@dataclass(frozen=True, eq=False)
class RepairedBones:
    """Bones after a correction: what to keep, the label map on the grid of the old one, ml changed by bone."""

    skeleton: Skeleton
    labels: Volume
    changed_ml: Mapping[str, float]


def corrected_landmarks(path: Path, known: Landmarks) -> dict[str, Landmark]:
    """Return all points that count as given once a file was read: those of the case, and those of the file.

    Raises
    ------
    InputError
        ``repair-nothing`` if the file changes no point; those of
        :func:`cotyle.anatomy.landmark_files.read_landmarks`.
    """
    points = read_landmarks(path)
    records = _own_records(path)
    before = given_of(known)
    after = dict(before)
    for name, point in points.items():
        own, record = known.get(name), records.get(name)
        found = own.lps_mm if own is not None else None
        if record is not None and record.found_lps_mm is not None:
            found = np.array(record.found_lps_mm)
        origin = None if record is None else record.origin
        if found is None or lies_elsewhere(point.lps_mm, found) or (origin == Origin.GIVEN and name not in before):
            after[name] = _as_given(point, own)
        elif name in before and origin == Origin.DETECTED:
            del after[name]
    if set(after) == set(before) and all(_same(after[name], before[name]) for name in after):
        raise InputError(
            "repair-nothing",
            f"{path.name} changes no landmark of this case",
            'Move a point, or write "origin": "given" beside one that is right as it is',
        )
    return after


def repaired_bones(
    skeleton: Skeleton, scan: Volume, before: Volume, file_labels: Volume, progress: Progress = lambda _: None
) -> RepairedBones:
    """Return the bones with those labels in place of the old ones that differ from them.

    Parameters
    ----------
    scan:
        The case's own part of the CT.
    before, file_labels:
        The case's label map and the corrected one on the same grid, numbers of ``BONE_LABELS``.

    Raises
    ------
    InputError
        ``repair-nothing`` if no bone differs.
    """
    labels, changed_ml, alike = _merged(before, file_labels)
    if not changed_ml:
        raise InputError(
            "repair-nothing", "the label map marks the same bones as the case", "Change a label, then give the file"
        )
    if min(alike.values()) < LEAST_ALIKE:
        return _fitted_anew(skeleton, scan, labels, changed_ml, progress)
    metal = find_metal(scan)
    surfaces = dict(skeleton.surfaces)
    flaws: list[str] = []
    for name in changed_ml:
        progress(f"redrawing the {name.replace('_', ' ')}")
        number = LABEL_OF_BONE[name]
        part = _around(labels, number)
        surfaces[name] = drawn_surface(scan, fill_interiors(part), number, skeleton.blur, metal)
        flaws += label_flaws(_only(part, number), _only(fill_interiors(part), number))
    drawn = skeleton.drawn | set(changed_ml)
    records = (*skeleton.given, DrawnLabels(tuple(changed_ml), changed_ml, label_digest(labels)))
    seeds = skeleton.seeds
    for name in changed_ml:
        seeds = _carried(seeds, name, skeleton.surfaces, surfaces[name])
    progress("judging the edges")
    redrawn = judge_edges(
        scan,
        surfaces,
        metal.belief if metal else None,
        drawn,
        clear_spread(surfaces, skeleton.blur),
        only=frozenset(changed_ml),
    )
    redrawn = less_sure(redrawn, surfaces, skeleton.source.made_up)
    return RepairedBones(
        replace(
            skeleton,
            surfaces=surfaces,
            edges={**skeleton.edges, **redrawn},
            seeds=seeds,
            given=records,
            doubts=(*_left(skeleton.doubts, changed_ml), *_said(records, flaws)),
            quality=_renewed(skeleton.quality, labels, changed_ml),
        ),
        labels,
        changed_ml,
    )


def _merged(before: Volume, file_labels: Volume) -> tuple[Volume, dict[str, float], dict[str, float]]:
    """Return the merged map, ml changed by bone, and the Dice of each changed bone before and after."""
    old, new = before.voxels, file_labels.voxels
    voxel_ml = before.voxel_volume_mm3 / 1000.0
    differs = old != new
    changed_ml: dict[str, float] = {}
    alike: dict[str, float] = {}
    for name, number in LABEL_OF_BONE.items():
        count_new = int(np.count_nonzero(new == number))
        if name == "metal" or not count_new:
            continue
        changed = int(np.count_nonzero(differs & ((old == number) | (new == number))))
        if changed:
            count_old = int(np.count_nonzero(old == number))
            changed_ml[name] = round(changed * voxel_ml, 3)
            alike[name] = (count_old + count_new - changed) / (count_old + count_new)
    merged = old.copy()
    for name in changed_ml:
        merged[merged == LABEL_OF_BONE[name]] = 0
    for name in changed_ml:
        merged[new == LABEL_OF_BONE[name]] = LABEL_OF_BONE[name]
    return before.with_voxels(merged), changed_ml, alike


def _fitted_anew(
    skeleton: Skeleton, scan: Volume, labels: Volume, changed_ml: Mapping[str, float], progress: Progress
) -> RepairedBones:
    from cotyle.anatomy.bone_quality import judge_bones
    from cotyle.case.anatomy_stages import quality_numbers
    from cotyle.image.label_grid import onto_grid

    bones = bones_from_labels(scan, onto_grid(labels, scan, "the label map"), progress)
    quality = judge_bones(bones)
    records = (*skeleton.given, DrawnLabels(tuple(changed_ml), changed_ml, label_digest(labels)))
    kept = tuple(each for each in skeleton.doubts if Concern.BONES not in each.concerns)
    anew = replace(
        skeleton,
        surfaces=bones.surfaces,
        edges=less_sure(bones.edges, bones.surfaces, skeleton.source.made_up),
        seeds=seeds_from(bones.correspondence, bones.metal_cups),
        metal_cups=bones.metal_cups or skeleton.metal_cups,
        given=records,
        doubts=(*kept, *quality.findings, *_said(records, [])),
        quality=quality_numbers(quality),
    )
    return RepairedBones(anew, labels, changed_ml)


def _around(labels: Volume, number: int) -> Volume:
    """Return the part of a label map that holds one number, with a margin of three voxels; a view."""
    found = labels.voxels == number
    spans = [np.flatnonzero(found.any(axis=tuple(other for other in range(3) if other != axis))) for axis in range(3)]
    low, high = (np.array([span[end] for span in spans])[::-1] for end in (0, -1))
    return labels.cropped(low - 3, high + 4)


def _only(labels: Volume, number: int) -> Volume:
    return labels.with_voxels(np.where(labels.voxels == number, labels.voxels, 0))


def _carried(seeds: AnatomySeeds, name: str, old: Mapping[str, TriangleMesh], surface: TriangleMesh) -> AnatomySeeds:
    """Return the seeds with those that lay on one bone moved to its new surface."""
    own = cKDTree(old[name].vertices_lps_mm)
    others = cKDTree(np.concatenate([mesh.vertices_lps_mm for bone, mesh in old.items() if bone != name]))
    target = cKDTree(surface.vertices_lps_mm)

    def carry(points: Array) -> Array:
        if not len(points):
            return points
        here = own.query(points)[0] <= others.query(points)[0]
        way, rows = target.query(points)
        moved = np.where((here & (way <= CARRIED_MM))[:, None], surface.vertices_lps_mm[rows], points)
        return np.asarray(moved)

    points = {mark: carry(place[None])[0] for mark, place in seeds.points_lps_mm.items()}
    sockets = {
        side: replace(
            each,
            lunate=carry(each.lunate),
            fossa=carry(each.fossa),
            rim=carry(each.rim),
            head=carry(each.head),
        )
        for side, each in seeds.sockets.items()
    }
    return AnatomySeeds(points, sockets)


def _left(doubts: tuple[Finding, ...], changed: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return the doubts without those about bones of a side on which the hip bone or the femur was redrawn."""
    sides = {side for side in Side if {hip_bone(side), f"{side}_femur"} & set(changed)}
    return tuple(
        each
        for each in doubts
        if each.code != _REDRAWN
        and (Concern.BONES not in each.concerns or not ({each.side} if each.side else set(Side)) <= sides)
    )


def _said(records: Sequence[DrawnLabels], flaws: list[str]) -> list[Finding]:
    found = [Finding("label-flaw", text, concerns=(Concern.BONES,)) for text in flaws]
    changed: dict[str, list[str]] = {}
    for record in records:
        for name, ml in record.changed_ml.items():
            changed.setdefault(name.replace("_", " "), []).append(f"{ml:.1f}")
    words = ", ".join(f"{name} ({', then '.join(ml)} ml)" for name, ml in changed.items())
    text = f"redrawn by hand: {words}; where the scan shows no clear edge, the bone is as it was drawn"
    return [*found, Finding(_REDRAWN, text, Grade.SOUND, (Concern.BONES,))]


def _renewed(quality: Mapping[str, float], labels: Volume, changed: Mapping[str, float]) -> dict[str, float]:
    """Return the signals with the volumes of redrawn bones; what only a segmentation tells of them is left out."""
    gone = {f"weak_edge_share_{name}" for name in changed} | {
        f"joint_gap_{side}_mm" for side in Side if _on(side, changed)
    }
    numbers = {name: value for name, value in quality.items() if name not in gone}
    for name in changed:
        count = np.count_nonzero(labels.voxels == LABEL_OF_BONE[name])
        numbers[f"volume_{name}_ml"] = count * labels.voxel_volume_mm3 / 1000.0
    left, right = (numbers.get(f"volume_{hip_bone(side)}_ml", 0.0) for side in (Side.LEFT, Side.RIGHT))
    if right > 0:
        numbers["left_right_volume_ratio"] = left / right
    return numbers


def _on(side: Side, changed: Mapping[str, float]) -> bool:
    return bool({hip_bone(side), f"{side}_femur"} & set(changed))


def _as_given(point: Landmark, own: Landmark | None) -> Landmark:
    """A point by hand; the deviation of the point that was found does not become that of the hand."""
    kept = own is not None and abs(point.uncertainty_mm - own.uncertainty_mm) < 1e-3
    return given(point.name, point.lps_mm, GIVEN_UNCERTAINTY_MM if kept else point.uncertainty_mm)


def lies_elsewhere(a: Array, b: Array) -> bool:
    """Whether two places, (3,) LPS mm, are so far apart that a landmark counts as moved from one to the other."""
    return float(np.linalg.norm(a - b)) > MOVED_MM


def _same(a: Landmark, b: Landmark) -> bool:
    return not lies_elsewhere(a.lps_mm, b.lps_mm) and abs(a.uncertainty_mm - b.uncertainty_mm) < 1e-3


def _own_records(path: Path) -> dict[str, LandmarkRecord]:
    """Return the records of a file of this project's own kind, by name; of other kinds nothing."""
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
        entries = content.items() if isinstance(content, dict) and "markups" not in content else ()
        return {plain_name(name): LandmarkRecord.model_validate(entry) for name, entry in entries}
    except (ValueError, OSError):
        return {}
