"""What the start page says of each step, as plain values for it."""

from __future__ import annotations

from typing import Any

from cotyle.anatomy.findings import Grade, touching
from cotyle.case.review import Unplannable
from cotyle.image.labels import BONE_LABELS
from cotyle.report.tiles import minus
from cotyle.space.side import Side

from cotyle_platform.scene.palette import LABEL_COLORS
from cotyle_platform.web.landmark_words import mark_words, origin_words
from cotyle_platform.web.start.steps import STEPS, StartSession

STEP_WORDS = {
    "series": "Scan",
    "side": "Side",
    "bones": "Bones",
    "landmarks": "Landmarks",
    "plan": "Plan",
}


def steps(session: StartSession) -> list[dict[str, Any]]:
    """Return the steps in order: name, words, whether behind, here or ahead."""
    here = STEPS.index(session.step)
    states = ["behind" if n < here else "here" if n == here else "ahead" for n in range(len(STEPS))]
    return [
        {"name": name, "words": STEP_WORDS[name], "state": state} for name, state in zip(STEPS, states, strict=True)
    ]


def series(session: StartSession) -> list[dict[str, Any]]:
    """Return the series that were found, each with its verdict in words."""
    rows = []
    for each in session.series:
        number, name, slices, spacing, extent, verdict, reasons = each.row()
        rows.append(
            {
                "number": int(number),
                "name": name,
                "size": f"{slices} slices, {spacing} mm, {extent} mm",
                "verdict": verdict,
                "reasons": reasons,
                "plannable": each.plannable,
                "repairable": each.verdict.repairable,
            }
        )
    return rows


def bones() -> list[dict[str, str]]:
    """Return the bones with their colours in the label map."""
    rows = []
    for name in BONE_LABELS.values():
        if name != "metal":
            color = "#" + "".join(f"{round(255 * channel):02x}" for channel in LABEL_COLORS[name])
            rows.append({"name": name, "words": name.replace("_", " "), "color": color})
    return rows


def marks(session: StartSession) -> list[dict[str, Any]]:
    """Return the landmarks in the order of their review."""
    points = session.landmarks
    return [
        {
            "name": name,
            "words": mark_words(name),
            "origin": origin_words(points[name], name in session.agreed),
            "agreed": name in session.agreed,
            "given": name in session.given,
        }
        for name in session.order
    ]


def frames(session: StartSession) -> list[str]:
    """Return how the pelvis lies, and how sure that is, once its landmarks make a frame."""
    anatomy = session.anatomy
    if anatomy is None or isinstance(anatomy, Unplannable):
        return []
    pelvis = anatomy.pelvis(0.0)
    spread = pelvis.uncertainty
    told = (
        ("anterior tilt", pelvis.anterior_tilt_deg, spread.anterior_tilt_deg),
        ("rotation to the left", pelvis.rotation_to_left_deg, spread.rotation_to_left_deg),
        ("left side up", pelvis.left_up_deg, spread.left_up_deg),
    )
    return [minus(f"{words} {angle:.1f}") + f" ± {2 * sd:.1f} deg" for words, angle, sd in told]


def doubts(session: StartSession) -> list[str]:
    """Return what is doubtful about bones, landmarks and sockets, the gravest first."""
    anatomy, side = session.anatomy, session.side
    if anatomy is None or side is None:
        return []
    found = anatomy.findings if isinstance(anatomy, Unplannable) else anatomy.doubts
    order = (Grade.CANNOT_PLAN, Grade.CHECK, Grade.SOUND)
    mine = sorted(touching(found, Side(side)), key=lambda each: order.index(each.grade))
    return list(dict.fromkeys(each.text for each in mine))
