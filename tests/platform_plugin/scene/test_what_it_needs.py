"""The picture of a plan needs the platform's nodes alone: the same in the browser and in the desktop application."""

import ast
from pathlib import Path

import cotyle_platform.scene
import pytest

FOLDER = Path(cotyle_platform.scene.__file__).parent
OFF_SCREEN = {"stage", "drawing"}


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.py")), ids=lambda path: path.stem)
def test_only_what_draws_without_a_window_asks_for_the_web_kit(path):
    modules = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            modules |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            modules.add((node.module or "").split(".")[0])
    forbidden = {"qt", "ctk", "trame", "trame_server", "trame_client", "trame_rca"}
    if path.stem not in OFF_SCREEN:
        forbidden.add("trame_slicer")
    assert not modules & forbidden


def test_no_formula_of_a_result_lives_here():
    """What the core computes (angles, walls, shares) is not computed a second time: no such function is called here."""
    words = {"arccos", "arctan2", "arcsin", "tan", "deg2rad", "rad2deg", "radians", "degrees"}
    for path in FOLDER.glob("*.py"):
        names = {node.attr for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Attribute)}
        assert not names & words, path.name
