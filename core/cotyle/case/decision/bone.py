"""decision/bone.json: how dense the bone is that the reamers go through and the cup will press on."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from cotyle.case.decision.bone_questions import BoneQuestions
from cotyle.case.decision.facts import DecisionFacts
from cotyle.case.decision.questions import Questions
from cotyle.case.measurements import Doubt
from cotyle.case.schema import Finite, Strict
from cotyle.case.stages import Hip, PlannedCup
from cotyle.cup.bed_density import BedDensity, bed_density, marrow_about
from cotyle.cup.coverage import SECTORS
from cotyle.cup.depth_track import DepthTrack
from cotyle.cup.wall_gaps import deep_density_hu
from cotyle.image.labels import hip_bone
from cotyle.space.side import Side


class RegionFact(Strict):
    """One region of the bed: density of the first 10 mm of bone, of its marrow, share with bone behind it."""

    bone_hu: Finite | None
    marrow_hu: Finite | None
    bone_share: Finite


class WallFact(Strict):
    """Density of the wall along the reaming axis, from the cavity's floor to the inner surface; None at a breach."""

    mean_hu: Finite | None
    most_hu: Finite | None
    along_axis_mm: Finite
    thin: bool


class BedMapFact(Strict):
    """Mean density of the first 10 mm behind the shell, rows by ``from_pole_deg``, columns by ``around_deg``.

    Azimuth in the rim plane: 0 superior, 90 anterior, 180 inferior, 270 posterior. By column:
    ``rim_deg`` where bone ends, ``rim_hu`` density of its last 10 deg.
    """

    from_pole_deg: tuple[Finite, ...]
    around_deg: tuple[Finite, ...]
    hu: tuple[tuple[Finite | None, ...], ...]
    rim_deg: tuple[Finite | None, ...]
    rim_hu: tuple[Finite | None, ...]


class BoneFacts(DecisionFacts):
    """The whole of decision/bone.json; ``soft`` is None where too little marrow is there to tell.

    hardest, softest: quarters by the density of their bone; uneven: whether they differ enough to draw a reamer aside.
    """

    schema_name: Literal["cotyle/bone"] = Field(default="cotyle/bone", alias="schema")
    version: Literal[1] = 1
    side: Side
    soft: bool | None
    soft_below_hu: Finite
    marrow_hu: Finite | None
    opposite_marrow_hu: Finite | None
    regions: dict[str, RegionFact]
    hardest: str | None
    softest: str | None
    hardest_over_softest: Finite | None
    uneven: bool
    wall: WallFact
    map: BedMapFact


def bone_of(planned: PlannedCup, hip: Hip, questions: Questions, seed: int) -> BoneFacts:
    """Return the density of the bone behind the planned shell."""
    del seed
    asked, side = questions.bone, planned.plan.side
    found = bed_density(hip.bone, planned.cup, hip.frame, hip.scan, hip.deep_hu)
    marrow = _known(found.marrow_hu)
    densities = {name: found.regions[name].bone_hu for name in SECTORS if np.isfinite(found.regions[name].bone_hu)}
    hardest = max(densities, key=lambda name: densities[name], default=None)
    softest = min(densities, key=lambda name: densities[name], default=None)
    ratio = None
    if hardest is not None and softest is not None and densities[softest] > 0:
        ratio = densities[hardest] / densities[softest]
    facts = BoneFacts(
        side=side,
        soft=None if marrow is None else marrow < asked.soft_below_hu,
        soft_below_hu=asked.soft_below_hu,
        marrow_hu=marrow,
        opposite_marrow_hu=_opposite(hip),
        regions={
            name: RegionFact(bone_hu=_known(each.bone_hu), marrow_hu=_known(each.marrow_hu), bone_share=each.bone_share)
            for name, each in found.regions.items()
        },
        hardest=hardest,
        softest=softest,
        hardest_over_softest=ratio,
        uneven=ratio is not None and ratio >= asked.uneven_from,
        wall=_wall(planned.track, planned.wall.along_axis_mm, planned.wall.thin),
        map=_map(found),
        assumptions=_ASSUMPTIONS,
    )
    return facts.model_copy(update={"doubts": _doubts(facts, planned, asked)})


def _opposite(hip: Hip) -> float | None:
    """Return the marrow about the other hip's native socket, None where that is not there or holds metal."""
    other, anatomy = hip.side.opposite, hip.anatomy
    if other not in anatomy.sockets or other in anatomy.skeleton.metal_cups:
        return None
    socket, bone = anatomy.sockets[other], anatomy.surfaces[hip_bone(other)]
    deep = deep_density_hu(bone, hip.scan)
    return _known(marrow_about(bone, socket.center_lps_mm, socket.diameter_mm / 2, deep))


def _wall(track: DepthTrack, along_axis_mm: float, thin: bool) -> WallFact:
    mean = most = None
    if track.floor_mm is not None and track.inner_surface_mm is not None:
        within = (track.depth_mm >= track.floor_mm) & (track.depth_mm <= track.inner_surface_mm)
        values = track.density_hu[within & np.isfinite(track.density_hu)]
        if len(values):
            mean, most = float(values.mean()), float(values.max())
    return WallFact(mean_hu=mean, most_hu=most, along_axis_mm=along_axis_mm, thin=thin)


def _map(found: BedDensity) -> BedMapFact:
    return BedMapFact(
        from_pole_deg=tuple(found.from_pole_deg.tolist()),
        around_deg=tuple(found.around_deg.tolist()),
        hu=tuple(tuple(_known(round(float(x), 0)) for x in row) for row in found.hu),
        rim_deg=tuple(_known(float(x)) for x in found.rim_deg),
        rim_hu=tuple(_known(float(x)) for x in found.rim_hu),
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _doubts(facts: BoneFacts, planned: PlannedCup, asked: BoneQuestions) -> tuple[Doubt, ...]:
    found = []
    if facts.soft:
        text = (
            f"Soft bone: the marrow behind the shell has {facts.marrow_hu:.0f} HU (below {asked.soft_below_hu:.0f}, "
            "our choice). Ream in short bursts, with an image after each second or two (common practice)."
        )
        found.append(Doubt(code="bone-soft", text=text))
    if facts.soft is None:
        text = "Too little marrow lies behind the shell to tell whether the bone is soft."
        found.append(Doubt(code="bone-unknown", text=text))
    if planned.plan.side in planned.anatomy.skeleton.metal_cups:
        text = "This hip holds metal: its streaks and its glare are in every density here. Do not go by them."
        found.append(Doubt(code="bone-beside-metal", text=text))
    if facts.wall.thin:
        text = "The wall on the axis is thinner than the scan resolves: it reads softer than it is."
        found.append(Doubt(code="bone-thin-wall", text=text))
    return tuple(found)


_ASSUMPTIONS = (
    "Hounsfield units as the scanner gives them: they change with tube voltage, kernel, contrast and patient, and no "
    "line from them to mineral holds for every scanner.",
    "The limit of soft bone is our choice; published ones are of the first lumbar vertebra at 120 kV.",
    "Bone as it is before reaming; what the reamers pack or take is not in it.",
)
