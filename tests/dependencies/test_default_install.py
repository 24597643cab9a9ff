"""The default install is what docs/dependencies.md says it is, and the checks of it can fail."""

import json
import re
import stat
import sys
from pathlib import Path

import pytest

from tests.dependencies import vulnerabilities
from tests.dependencies.default_install import Package, default_install
from tests.dependencies.licences import BUNDLED, JUDGED, allowed, problems

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")


def test_no_licence_in_the_default_install_is_unknown_or_unwanted():
    packages = default_install()
    assert len(packages) > 30
    assert problems(packages) == []


@pytest.mark.parametrize(
    "licence",
    [
        "GPL-3.0-only",
        "AGPL-3.0-or-later",
        "MIT AND GPL-2.0",
        "LGPL-2.1",
        "",
        "Proprietary",
        "GNU General Public License v3",
    ],
)
def test_other_licences_are_not_allowed(licence):
    assert problems([Package("a", "1", licence, False)])


@pytest.mark.parametrize("licence", ["MIT", "GPL-2.0 OR MIT", "0BSD AND MIT", "ISC License (ISCL)", "(MIT OR X)"])
def test_licences_that_ask_for_a_notice_are_allowed(licence):
    assert allowed(licence)


def test_licence_files_that_speak_of_the_gpl_must_be_judged():
    assert "nobody has judged" in problems([Package("a", "1", "MIT", True)])[0]


def test_every_direct_dependency_and_every_exception_stands_in_the_page():
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    block = re.search(r"^dependencies = \[(.*?)\]", text, re.DOTALL | re.MULTILINE).group(1)
    names = re.findall(r'"([A-Za-z0-9-]+)', block)
    assert len(names) > 10
    assert [name for name in (*names, *JUDGED, *BUNDLED) if name.lower() not in PAGE.lower()] == []


def stand_in(tmp_path, answer):
    """A program that answers as pip-audit 2 does (form of its JSON: its README)."""
    file = tmp_path / "audit.py"
    file.write_text(f"print({json.dumps(json.dumps(answer))})")
    file.chmod(file.stat().st_mode | stat.S_IXUSR)
    return [sys.executable, str(file)]


def test_what_the_database_knows_is_said(tmp_path):
    fault = {"id": "PYSEC-0000-1", "fix_versions": ["2"], "aliases": [], "description": ""}
    known = {"dependencies": [{"name": "a", "version": "1", "vulns": [fault]}], "fixes": []}
    assert vulnerabilities.ask(stand_in(tmp_path, known), ["a==1"]) == (1, ["a 1: PYSEC-0000-1 (right from 2)"])
    nothing = {"dependencies": [{"name": "a", "version": "1", "vulns": []}], "fixes": []}
    assert vulnerabilities.ask(stand_in(tmp_path, nothing), ["a==1"]) == (0, [])


def test_an_answer_that_is_none_and_a_package_left_out_are_no_success(tmp_path):
    assert vulnerabilities.ask(stand_in(tmp_path, "?"), ["a==1"])[0] == 2
    left_out = {"dependencies": [{"name": "a", "skip_reason": "unknown"}], "fixes": []}
    assert vulnerabilities.ask(stand_in(tmp_path, left_out), ["a==1"])[0] == 2


def test_without_a_network_it_says_that_nothing_was_checked(monkeypatch, capsys):
    monkeypatch.setattr(vulnerabilities, "reachable", lambda: False)
    monkeypatch.setattr(sys, "argv", ["vulnerabilities"])
    assert vulnerabilities.main() == 0
    assert capsys.readouterr().out.strip() == vulnerabilities.NOT_CHECKED
