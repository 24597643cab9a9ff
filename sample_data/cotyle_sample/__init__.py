"""Synthetic pelvis CT scans with known truth. No person was scanned: bones come from an open shape model."""

from cotyle.anatomy.pelvis import Posture

from cotyle_sample.demo import make_demo_case
from cotyle_sample.dicom import write_series
from cotyle_sample.scanner import scan
from cotyle_sample.subject import Subject, Variant, make_subject
from cotyle_sample.truth import Truth

__all__ = ["Posture", "Subject", "Truth", "Variant", "make_demo_case", "make_subject", "scan", "write_series"]
