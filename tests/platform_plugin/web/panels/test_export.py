import asyncio
import zipfile

import pytest
from cotyle_platform.web.panels import ExportPanel


@pytest.fixture
def export(desk):
    return ExportPanel(desk.server, desk.session)


def done(export, act):
    async def run():
        act()
        await export._working

    asyncio.run(run())


def test_a_file_to_download_is_made_and_goes_when_the_case_is_saved_anew(desk, export):
    for part in ("surfaces", "views", "report"):
        export.choose(part, False)
    assert desk.state.export_chosen == ["numbers"]
    done(export, export.as_file)
    assert desk.state.export_message == ""
    assert desk.state.export_ready.endswith("MB")
    with zipfile.ZipFile(export.file) as archive:
        assert "plan.json" in archive.namelist()
    export.heard("saved", desk.session.revision)
    assert desk.state.export_ready == ""
    assert not export.file.exists()


def test_only_a_saved_plan_is_exported(desk, export):
    desk.session.move(along_axis_mm=1.0)
    export.as_file()
    assert "save it" in desk.state.export_message
    desk.session.undo()


def test_a_folder_that_cannot_be_taken_is_said_in_one_line(desk, export, tmp_path):
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "own").write_text("mine")
    for path, words in (
        ("", "whole path"),
        ("export", "whole path"),
        (tmp_path / "taken", "something already"),
        (tmp_path / "nowhere" / "export", "no folder in which"),
    ):
        export.into_folder(str(path))
        assert words in desk.state.export_message
    export.takes_paths = False
    export.into_folder(str(tmp_path / "new"))
    assert "open to a network" in desk.state.export_message
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]
