"""Serves the viewer on a scan with bones that were found before: ``python quick_start.py SERIES CASE``. Segmenting anew
takes a minute, and the page is what is tested here."""

import sys
from pathlib import Path


def serve(series, folder):
    """Serve the start page, and then the planning page."""
    from cotyle.case import anatomy_stages
    from cotyle.case.store import read_case
    from cotyle.image.label_files import load_label_file
    from cotyle_platform.web import app
    from cotyle_platform.web.start import steps

    case, own = read_case(folder), load_label_file(folder / "bones.nrrd").labels

    def found(scan, info, side, labels, progress):
        progress("finding the bones")
        return anatomy_stages.FoundBones(case.anatomy.skeleton, own)

    steps.find_bones = found
    app.begin_or_view(series, 0, None, browser=False)


if __name__ == "__main__":  # the viewer's child processes read this file again
    serve(*(Path(each) for each in sys.argv[1:3]))
