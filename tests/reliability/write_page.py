"""Write docs/reliability.md from real runs; end with 1 if a promise is broken.

python -m tests.reliability.write_page [--only defects corpus fuzz kills reruns dicom] [--fuzz-seconds 30] [--kills 200]

Sections that are not run again stay as they are in the page.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cotyle.files import write_text_atomically

from tests.reliability.page_of_corpus import corpus_section
from tests.reliability.page_of_defects import defect_section
from tests.reliability.page_of_dependencies import dependency_section
from tests.reliability.page_of_dicom import dicom_section
from tests.reliability.page_of_fuzzing import fuzz_section
from tests.reliability.page_of_killing import kill_section
from tests.reliability.page_of_privacy import privacy_section
from tests.reliability.page_of_reruns import rerun_section
from tests.reliability.page_of_schema import schema_section

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reliability.md"

HEAD = """# Reliability

Written by `python -m tests.reliability.write_page`; don't edit it by hand.

Research software, not a medical device. A planning tool that is wrong in silence is worse than none: nothing that we
can throw at Cotyle should give a traceback, a hang, a half-written file or a silently wrong millimetre. This page says
what was thrown, and what came of it. How CT is read stands in [reading](methods/reading.md), the limits in
[SECURITY.md](../SECURITY.md).
"""


@dataclass(frozen=True)
class Options:
    """What the sections are told: how long to fuzz each way in, s; how often to kill each writer at random."""

    fuzz_seconds: float
    kills: int


Section = Callable[[Options], tuple[str, bool]]

SECTIONS: dict[str, Section] = {
    "defects": lambda options: defect_section(),
    "corpus": lambda options: corpus_section(),
    "fuzz": lambda options: fuzz_section(options.fuzz_seconds),
    "kills": lambda options: kill_section(options.kills),
    "schema": lambda options: schema_section(),
    "reruns": lambda options: rerun_section(),
    "privacy": lambda options: privacy_section(),
    "dependencies": lambda options: dependency_section(),
    "dicom": lambda options: dicom_section(),
}
"""In the order of the page: each returns its text and whether it kept what it promises."""


def main() -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*", choices=list(SECTIONS), default=list(SECTIONS))
    parser.add_argument("--fuzz-seconds", type=float, default=30.0)
    parser.add_argument("--kills", type=int, default=200)
    options = parser.parse_args()
    kept = True
    texts: dict[str, str] = {}
    for name in options.only:
        texts[name], good = SECTIONS[name](Options(options.fuzz_seconds, options.kills))
        print(f"{name}: {'kept' if good else 'BROKEN'}")
        kept = kept and good
    texts = {**_present(), **texts}
    body = "".join(f"\n<!-- {name} -->\n{texts[name].strip()}\n<!-- end -->\n" for name in SECTIONS if name in texts)
    write_text_atomically(PAGE, HEAD + body)
    return 0 if kept else 1


def _present() -> dict[str, str]:
    if not PAGE.is_file():
        return {}
    text = PAGE.read_text(encoding="utf-8")
    return dict(re.findall(r"<!-- (\w+) -->\n(.*?)\n<!-- end -->", text, re.DOTALL))


if __name__ == "__main__":
    sys.exit(main())
