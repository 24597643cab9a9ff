"""The names that hold a scripted module together, checked without the application: .py, .ui, CMake and files agree."""

import ast
import compileall
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

DESKTOP = Path(__file__).parents[3] / "platform_plugin" / "desktop"
MODULE = DESKTOP / "CupPlanning"
SOURCE = (MODULE / "CupPlanning.py").read_text(encoding="utf-8")
TREE = ast.parse(SOURCE)
CLASSES = {node.name: node for node in TREE.body if isinstance(node, ast.ClassDef)}
UI = ElementTree.parse(MODULE / "Resources" / "UI" / "CupPlanning.ui").getroot()
MOST_LINES_OF_THE_PANEL = 150


def test_the_four_classes_bear_the_names_the_application_looks_for():
    """Module, Widget, Logic and Test begin with the name of the file (the application's developer guide)."""
    assert set(CLASSES) == {"CupPlanning", "CupPlanningWidget", "CupPlanningLogic", "CupPlanningTest"}
    assert any(isinstance(node, ast.FunctionDef) and node.name == "runTest" for node in CLASSES["CupPlanningTest"].body)


def ui_names():
    return [each.get("name") for each in UI.iter() if each.tag in ("widget", "layout", "spacer")]


def test_each_control_the_panel_speaks_to_is_in_the_form_and_named_once():
    used = set(re.findall(r"self\.ui\.(\w+)", SOURCE))
    names = ui_names()
    assert used <= set(names)
    assert len(names) == len(set(names))


def test_the_forms_top_is_one_that_takes_the_scene_and_each_special_control_is_declared():
    top = UI.find("widget")
    assert (top.get("class"), top.get("name")) == ("qMRMLWidget", "CupPlanning")
    assert UI.findtext("class") == "CupPlanning"
    special = {each.get("class") for each in UI.iter("widget") if not each.get("class").startswith("Q")}
    assert special == {each.findtext("class") for each in UI.iter("customwidget")}


def test_the_form_says_that_this_is_no_medical_device():
    text = " ".join(each.text or "" for each in UI.iter("string"))
    assert "Research software, not a medical device." in text
    assert "local codes and licensed practice decide" in text


def cmake_files():
    text = (MODULE / "CMakeLists.txt").read_text(encoding="utf-8").replace("${MODULE_NAME}", "CupPlanning")
    blocks = re.findall(r"set\(MODULE_PYTHON_(?:SCRIPTS|RESOURCES)(.*?)\)", text, re.DOTALL)
    return {name for block in blocks for name in block.split()}


def test_the_build_lists_each_file_there_is_and_no_other():
    there = {
        str(path.relative_to(MODULE))
        for path in MODULE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.name != "CMakeLists.txt"
    }
    assert cmake_files() == there


def test_the_extension_adds_the_module_and_says_what_it_is():
    text = (DESKTOP / "CMakeLists.txt").read_text(encoding="utf-8")
    assert "add_subdirectory(CupPlanning)" in text
    for name in ("HOMEPAGE", "CATEGORY", "CONTRIBUTORS", "DESCRIPTION", "ICONURL", "SCREENSHOTURLS", "DEPENDS"):
        assert re.search(rf"set\(EXTENSION_{name} ", text), name
    assert "not a medical device" in text


def test_the_icon_is_a_square_picture():
    from PIL import Image

    width, height = Image.open(MODULE / "Resources" / "Icons" / "CupPlanning.png").size
    assert width == height >= 64


@pytest.mark.parametrize("path", sorted(MODULE.rglob("*.py")), ids=lambda path: path.name)
def test_each_file_compiles_and_asks_for_no_window_when_imported(path):
    assert compileall.compile_file(str(path), quiet=2, force=True)
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {name.split(".")[0] for name in names} & {"qt", "ctk", "vtk", "cotyle", "cotyle_platform"} or (
            path.parent.name == "CupPlanningLib"
        )


def test_the_panel_is_short_and_reckons_nothing():
    panel = CLASSES["CupPlanningWidget"]
    assert panel.end_lineno - panel.lineno < MOST_LINES_OF_THE_PANEL
    assert not [node for node in ast.walk(panel) if isinstance(node, ast.BinOp | ast.AugAssign)]


def test_only_methods_that_exist_are_called_on_the_logic():
    there = {node.name for node in CLASSES["CupPlanningLogic"].body if isinstance(node, ast.FunctionDef)} | {"planning"}
    assert set(re.findall(r"self\.logic\.(\w+)", SOURCE)) <= there


def names_of(path, *classes):
    """Names that objects of classes in a file have: methods, properties and what is set on them."""
    bodies = [node for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.ClassDef)]
    there = set()
    for node in bodies:
        if node.name in classes:
            there |= {each.name for each in node.body if isinstance(each, ast.FunctionDef)}
            there |= set(re.findall(r"self\.(\w+)(?:: [^=\n]+)? = ", ast.unparse(node)))
    return there


def test_only_what_the_planning_has_is_asked_of_it():
    there = names_of(MODULE / "CupPlanningLib" / "planning.py", "Planning")
    assert set(re.findall(r"planning\.(?!session\b|picture\b)(\w+)", SOURCE)) - {"planning"} <= there


@pytest.mark.parametrize(
    ("asked", "files"),
    [
        ("picture", {"scene/plan_scene.py": "PlanScene"}),
        ("session", {"session/session.py": "PlanningSession", "session/changing.py": "PlanChanges"}),
    ],
)
def test_only_what_picture_and_session_have_is_asked_of_them(asked, files):
    texts = SOURCE + (MODULE / "CupPlanningLib" / "planning.py").read_text(encoding="utf-8")
    used = set(re.findall(rf"(?:planning|self)\.{asked}\.(\w+)", texts))
    there = set().union(*(names_of(DESKTOP.parent / "cotyle_platform" / path, each) for path, each in files.items()))
    assert used
    assert used <= there
