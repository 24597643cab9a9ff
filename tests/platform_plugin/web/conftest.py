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
