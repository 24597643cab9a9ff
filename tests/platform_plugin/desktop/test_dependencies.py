"""Installing what is missing: asked first, and never at the cost of the application's own packages."""

import importlib.util
import json
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

FILE = Path(__file__).parents[3] / "platform_plugin/desktop/CupPlanning/CupPlanningLib/dependencies.py"
spec = importlib.util.spec_from_file_location("cup_planning_dependencies", FILE)
dependencies = importlib.util.module_from_spec(spec)
spec.loader.exec_module(dependencies)

ABSENT = "a-package-that-is-not-there>=1"


@pytest.fixture
def requirements(tmp_path):
    def write(*lines):
        file = tmp_path / "requirements.txt"
        file.write_text("# a note\n" + "\n".join(lines) + "\n")
        return file

    return write


class Pip:
    """Says what it would install; remembers what it was told."""

    def __init__(self, *would):
        self.would, self.calls = would, []

    def __call__(self, arguments):
        self.calls.append(list(arguments))
        if "--dry-run" in arguments:
            limits = Path(arguments[arguments.index("-c") + 1])
            self.limits = limits.read_text()
            content = {"install": [{"metadata": {"name": name, "version": version}} for name, version in self.would]}
            Path(arguments[arguments.index("--report") + 1]).write_text(json.dumps(content))
        return ""

    @property
    def installed(self):
        return [call for call in self.calls if "--dry-run" not in call]


def test_nothing_is_asked_where_nothing_is_missing(requirements):
    pip = Pip()
    assert not dependencies.ensure(lambda _: pytest.fail("asked"), pip, requirements("numpy>=1"))
    assert pip.calls == []


def test_a_version_too_old_counts_as_missing():
    assert dependencies.missing(["numpy>=999", "numpy>=1", ABSENT]) == ("numpy>=999", ABSENT)


def test_what_was_shown_and_agreed_to_is_installed_and_nothing_else(requirements):
    pip, asked = Pip(("one", "1.2"), ("two", "3.4")), []
    assert dependencies.ensure(lambda words: bool(asked.append(words)) or True, pip, requirements(ABSENT))
    assert "one 1.2" in asked[0]
    assert "two 3.4" in asked[0]
    assert pip.installed == [["install", "--no-deps", "one==1.2", "two==3.4"]]


def test_a_no_installs_nothing(requirements):
    pip = Pip(("one", "1.2"))
    with pytest.raises(dependencies.DependencyError, match="nothing was installed"):
        dependencies.ensure(lambda _: False, pip, requirements(ABSENT))
    assert pip.installed == []


@pytest.mark.parametrize("own", ["numpy", "vtk", "SimpleITK"])
def test_the_applications_own_packages_are_never_replaced(requirements, own):
    pip = Pip(("one", "1.2"), (own, "99.0"))
    with pytest.raises(dependencies.DependencyError, match=own):
        dependencies.ensure(lambda _: pytest.fail("asked"), pip, requirements(ABSENT))
    assert pip.installed == []


def test_pip_is_held_to_the_versions_that_are_there(requirements):
    pip = Pip(("one", "1.2"))
    dependencies.ensure(lambda _: True, pip, requirements(ABSENT))
    assert f"numpy=={metadata.version('numpy')}" in pip.limits.splitlines()


def test_no_way_to_install_is_one_line(requirements):
    def fails(_):
        raise RuntimeError("conflict")

    with pytest.raises(dependencies.DependencyError, match="go with the application's own packages"):
        dependencies.ensure(lambda _: True, fails, requirements(ABSENT))


def test_the_modules_own_list_asks_for_none_of_them_and_is_satisfied_here():
    names = [text.split(">")[0].lower() for text in dependencies.wanted()]
    assert not set(names) & set(dependencies.PROTECTED)
    assert dependencies.missing(dependencies.wanted()) == ()


def test_pip_itself_reports_in_the_form_that_is_read(tmp_path):
    """The real pip, on a wheel that lies in a folder: no net is needed."""
    wheel = tmp_path / "made_up_package-0.3-py3-none-any.whl"
    about = "made_up_package-0.3.dist-info"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr(f"{about}/METADATA", "Metadata-Version: 2.1\nName: made-up-package\nVersion: 0.3\n")
        archive.writestr(f"{about}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        archive.writestr(f"{about}/RECORD", "")

    def run(arguments):
        return dependencies.run_pip([*arguments, "--no-index"])

    assert dependencies.would_install([str(wheel)], run) == {"made-up-package": "0.3"}
    assert dependencies.missing(["made-up-package"]) == ("made-up-package",)
