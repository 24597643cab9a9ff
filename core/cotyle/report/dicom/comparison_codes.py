"""Our own codes of what a real picture says against the plan that are no numbers."""

from __future__ import annotations

from cotyle.report.dicom.codes import own
from cotyle.xray.verdict import Verdict

COMPARED = own("COMPARISON", "Cup in X-ray pictures against the plan")
COMPARED_VERDICT = own("CMP-VERDICT", "Verdict on the comparison")
COMPARED_VERDICT_WORDS = own("CMP-VERDICT-TEXT", "Verdict on the comparison, in words")
POSE_VERDICT = own("CMP-POSE-VERDICT", "Verdict on where the C-arm was found")
CUP_VERDICT = own("CMP-CUP-VERDICT", "Verdict on the cup that was found")
VERDICTS = {
    Verdict.CONVERGED: own("CONVERGED", "Found, nothing seen against it"),
    Verdict.DOUBTFUL: own("DOUBTFUL", "Doubtful: look at the outlines first"),
    Verdict.FAILED: own("FAILED", "Failed: no number is given"),
}
FOUND_CENTER = own("FND-CENTER", "Center of the cup that was found")
OTHER_CENTER = own("TWIN-CENTER", "Center of the cup that was not taken")
AGAINST_PLAN = own("CMP-DIFFERENCE", "Cup found against the cup planned")
OTHER_ANSWER = own("TWIN", "Other cup that has the same rim ellipse")
TWIN_WORDS = own("TWIN-WORDS", "Which of the two cups was taken, and why")
RIM_ELLIPSE = own("RIM-ELLIPSE", "Rim of the cup in the first X-ray picture that shows it")
LEVELLING = own("LEVELLING", "How the pelvis lies to the X-ray beam")
LEVELLING_WORDS = own("LEVELLING-WORDS", "Move that levels the picture")
REAL_PICTURE = own("REAL-PICTURE", "X-ray picture compared with the plan")
OVERLAY = own("OVERLAY", "X-ray picture with outlines of planned and found cup")
VIEW_NAME = own("VIEW-NAME", "View by its name")
PICTURE_TOLD = own("PICTURE-TOLD", "Whether the X-ray picture itself is referred to")
TUBE = own("XRAY-TUBE", "Where the X-ray tube stood, as stated")
VIEWS_AGREE = own("VIEWS-AGREE", "X-ray pictures agree with each other")
