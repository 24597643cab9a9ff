"""Our own codes of cups to choose among, and of what comes of errors, that are no numbers."""

from __future__ import annotations

from cotyle.cup.options.choice import Favours
from cotyle.cup.options.trials import Bound
from cotyle.report.dicom.codes import own

OPTION = own("OPTION", "Cup to choose among for this hip")
AS_PLANNED = own("OPTION-PLAN", "Cup as planned, beside those to choose among")
OPTION_CENTER = own("OPTION-CENTER", "Center of this cup")
OPTION_CENTER_WANTED = own("GOAL-CENTER", "Hip center to restore")
FAVOURS = own("OPTION-FAVORS", "What this cup is the best in")
FAVOURED = {
    Favours.BALANCE: own("FAV-BALANCE", "Balance of all"),
    Favours.COVER: own("FAV-COVER", "Cover by host bone"),
    Favours.COVER_ABOVE: own("FAV-COVER-ABOVE", "Cover by host bone, superior"),
    Favours.WALL: own("FAV-WALL", "Remaining medial wall"),
    Favours.RIM_WALLS: own("FAV-RIM-WALLS", "Remaining anterior and posterior wall"),
    Favours.CENTER: own("FAV-CENTER", "Hip center restored"),
    Favours.BONE: own("FAV-BONE", "Little bone removed"),
    Favours.SAME_HEIGHT: own("FAV-SAME-HEIGHT", "Cover with the height of the hip center restored"),
    Favours.HIGH_CENTER: own("FAV-HIGH-CENTER", "Cover with a high hip center"),
}
BEATEN = own("OPTION-BEATEN", "Another cup is better in all")
BETTER_THAN_PLAN = own("OPTION-BETTER", "Nowhere worse than the plan and somewhere better")
REACHES = own("OPTION-REACHES", "Limit that this cup reaches")
BOUNDS = {
    Bound.LEAST_WALL: own("BOUND-WALL", "Least wall"),
    Bound.LARGEST_RISE: own("BOUND-RISE", "Largest rise of the hip center"),
    Bound.LEAST_COVER: own("BOUND-COVER", "Least cover"),
    Bound.LARGEST_SIZE: own("BOUND-SIZE", "Largest size"),
}
NOT_FULFILLED = own("OPTION-MISSING", "Wish that no measured cup fulfils")
GOAL = own("OPTION-GOAL", "Hip center that should be restored")
RESTORES = own("GOAL-RESTORES", "Which hip center should be restored")
RESTORED = {
    "native": own("GOAL-NATIVE", "The native one"),
    "opposite": own("GOAL-OPPOSITE", "The mirrored one of the other hip"),
}
REASON = own("REASON", "Why")
LIMITS = own("OPTION-LIMITS", "Limits that held for the choice")
PINNED = own("OPTION-PINNED", "What the user fixed for all cups")
BED = own("OPTION-BED", "Bone bed behind the old cup")
OUTCOME = own("OUTCOME", "Outcome of many procedures with errors")
CHANCES = own("CHANCES", "Chances over many procedures with errors")
ZONE = own("TARGET-ZONE", "Target zone of the plan")
STOP = own("STOP", "Where to stop reaming for an X-ray picture")
NO_STOP = own("STOP-NONE", "No depth at which a picture comes early enough")
SPREADS = own("SPREADS", "What errs, and by how much")
STANDING_ASSUMED = own("STANDING-ASSUMED", "Standing tilt is assumed, nobody measured it")
ASSUMPTION = own("ASSUMPTION", "What is taken for granted")
