import io
import json
import shutil
import zipfile

import pydicom
import pytest
import vtk
from cotyle.errors import InputError
from cotyle_platform.session.exporting import PARTS, SMALL, ExportAsked, clear_away, exported

NAMED_AFTER_ITS_PATIENT = "Sample^Sigrid-19480203"


def silent(_):
    pass


@pytest.fixture
def named_case(planned_case, tmp_path):
    folder = tmp_path / NAMED_AFTER_ITS_PATIENT
    shutil.copytree(planned_case.folder, folder)
    return folder


def test_a_file_holds_what_was_chosen_as_other_programs_read_it(named_case, tmp_path):
    target = tmp_path / "export.zip"
    exported(ExportAsked(named_case, SMALL, target, tmp_path), silent)
    with zipfile.ZipFile(target) as archive:
        assert archive.testzip() is None
        held = set(archive.namelist())
        assert {"plan.json", "measurements.json", "report.html", "mesh/cup.stl", "mesh/cavity.vtp"} <= held
        assert json.loads(archive.read("plan.json")) == json.loads((named_case / "plan.json").read_text())
        archive.extractall(tmp_path / "out")
        view = pydicom.dcmread(io.BytesIO(archive.read("xray/ap_pelvis.dcm")))
    # DICOM PS3.4 table B.5-1: Secondary Capture Image Storage
    assert view.SOPClassUID == "1.2.840.10008.5.1.4.1.1.7"
    assert "Sigrid" not in str(view)
    reader = vtk.vtkSTLReader()
    reader.SetFileName(str(tmp_path / "out" / "mesh" / "cup.stl"))
    reader.Update()
    assert reader.GetOutput().GetNumberOfCells() > 1000
    assert not [path for path in tmp_path.iterdir() if path.name not in ("export.zip", "out", named_case.name)]


def test_neither_the_patient_nor_the_cases_folder_is_named_anywhere(named_case, tmp_path):
    pytest.importorskip("trame_slicer", reason="the viewer's packages are not installed")
    target = tmp_path / "elsewhere"
    exported(ExportAsked(named_case, tuple(part for part in PARTS if part != "dicom"), target, tmp_path), silent)
    files = [path for path in target.rglob("*") if path.is_file()]
    assert any(path.suffix == ".mrb" for path in files)
    for path in files:
        contents = [path.read_bytes()]
        if path.suffix == ".mrb":
            with zipfile.ZipFile(path) as archive:
                contents = [archive.read(name) for name in archive.namelist()] + [str(archive.namelist()).encode()]
        for content in contents:
            assert b"Sigrid" not in content, path.name
            assert str(tmp_path).encode() not in content, path.name


def test_an_export_that_fails_leaves_nothing_behind(named_case, tmp_path):
    shutil.rmtree(named_case / "mesh")
    for name in ("export.zip", "folder"):
        with pytest.raises(InputError) as caught:
            exported(ExportAsked(named_case, ("numbers", "surfaces"), tmp_path / name, tmp_path), silent)
        assert caught.value.code == "part-missing"
    for case, parts, words in ((named_case, (), "nothing was chosen"), (tmp_path / "gone", SMALL, "no case folder")):
        with pytest.raises(InputError, match=words):
            exported(ExportAsked(case, parts, tmp_path / "export.zip", tmp_path), silent)
    assert [path.name for path in tmp_path.iterdir()] == [named_case.name]


def test_what_a_killed_export_left_is_cleared_away(tmp_path):
    (tmp_path / ".cotyle-0123-folder").mkdir()
    (tmp_path / "folder of another").mkdir()
    clear_away(tmp_path / "folder")
    assert [path.name for path in tmp_path.iterdir()] == ["folder of another"]
