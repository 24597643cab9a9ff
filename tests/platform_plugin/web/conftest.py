"""The page's tests need the viewer's packages; without them they are left out, not failed."""

import shutil

import pytest

pytest.importorskip("trame_slicer", reason="the viewer's packages are not installed")


@pytest.fixture(scope="session")
def viewed_case(planned_case, tmp_path_factory):
    """A copy of the planned case that viewers of this worker may change one after another."""
    folder = tmp_path_factory.mktemp("seen") / "case"
    shutil.copytree(planned_case.folder, folder)
    return folder


@pytest.fixture(scope="session")
def running_viewer(planned_case, tmp_path_factory):
    """One viewer for all tests of this worker that change nothing for good: its link, and the folder of its case."""
    from tests.platform_plugin.web.browsing import viewer_of

    folder = tmp_path_factory.mktemp("shown") / "case"
    shutil.copytree(planned_case.folder, folder)
    with viewer_of(folder) as (_, link):
        yield link, folder


@pytest.fixture(scope="session")
def theatre_picture(sample_series, planned_case, tmp_path_factory):
    """The sample patient in theatre with his planned cup a few degrees off: a picture by an outside projector."""
    pytest.importorskip("itk", reason="the outside projector is not installed")
    from cotyle.case.stages import cup_of
    from cotyle.case.store import read_case

    from tests.platform_plugin.web import theatre_picture

    case = read_case(planned_case.folder)
    planned = cup_of(case.plan, case.anatomy.pelvis(case.plan.posture.standing_tilt_change_deg))
    return theatre_picture.take(sample_series[1], planned, tmp_path_factory.mktemp("theatre"))
