import json
import os
import subprocess
import sys

import pytest
from cotyle import __version__
from cotyle.cli.failures import report_failure

COMMANDS = (
    "demo",
    "check",
    "plan",
    "measure",
    "repair",
    "xray",
    "compare",
    "decide",
    "grid",
    "cohort",
    "export",
)


def test_help_lists_the_commands_and_the_caution(command):
    code, out, _ = command("--help")
    assert code == 0
    assert all(name in out for name in COMMANDS)
    assert "not a medical device" in " ".join(out.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help(command, name):
    code, out, _ = command(name, "--help")
    assert code == 0
    assert "--json" in out


def test_version(command):
    assert command("--version")[1].strip() == f"cotyle {__version__}"


def test_help_imports_nothing_heavy():
    heavy = "numpy vtk vtkmodules SimpleITK pydicom matplotlib scipy numba pydantic rich"
    script = f"""
import sys
from cotyle.cli.main import run
run(["--help"])
print("heavy", sorted(set("{heavy}".split()) & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "heavy []"


def test_no_command_is_no_success(command):
    code, out, err = command()
    assert code == 2
    assert "plan" in err + out


def test_an_error_of_ours_is_one_line_with_exit_code_1(capsys):
    assert report_failure(ZeroDivisionError("division\nby zero"), debug=False, as_json=False) == 1
    caught = capsys.readouterr()
    assert caught.out == ""
    assert caught.err.count("\n") == 1
    assert "our fault" in caught.err
    assert "Traceback" not in caught.err


def test_being_stopped_is_said_and_is_no_success(command, tmp_path, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("cotyle.cli.commands.run_check", stopped)
    code, out, err = command("check", tmp_path, "--json")
    assert code == 1
    assert json.loads(out)["error"]["code"] == "stopped"
    assert err.count("\n") == 1


def test_a_path_that_the_system_refuses_is_bad_input(command, tmp_path):
    folder = tmp_path / ("Sample" * 60)  # longer than a name may be: 255 bytes on usual disks
    for arguments in (
        ("measure", folder),
        ("cohort", folder, "--out", tmp_path),
        ("check", folder),
        ("decide", tmp_path, "--given", folder),
        ("repair", tmp_path, "--labels", folder),
        ("export", tmp_path, "--out", folder),
    ):
        code, out, err = command(*arguments, "--json")
        assert code == 2, err
        assert err.count("\n") == 1
        assert "Sample" not in json.loads(out)["error"]["text"]


def test_the_top_of_a_disk_is_no_case(command, tmp_path):
    (tmp_path / "points.json").write_text("{}")
    code, _, err = command("repair", "/", "--landmarks", tmp_path / "points.json")
    assert code == 2
    assert "[case-not]" in err


def test_a_document_is_utf_8_whatever_the_terminal_takes():
    script = "from cotyle.cli.console import print_json; print_json({'a': '± 灣 \\udcff'})"
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True, env=environment)
    assert json.loads(done.stdout.decode("utf-8")) == {"a": "± 灣 \udcff"}


def test_the_trace_shows_on_demand_only(capsys):
    report_failure(ZeroDivisionError("x"), debug=True, as_json=True)
    caught = capsys.readouterr()
    assert "ZeroDivisionError" in caught.err
    assert json.loads(caught.out)["error"]["code"] == "internal"


FOLDER = "/data/Sample_Anna/ct"


def broken_by(text):
    """Return an error of ours as it comes out of the program, raised from another one."""
    try:
        try:
            {}[text]
        except KeyError as cause:
            raise ValueError(f"cannot read {text!r} of {FOLDER}") from cause
    except ValueError as error:
        return error


@pytest.mark.parametrize("debug", [False, True])
def test_an_error_of_ours_repeats_nothing_of_files_or_paths(capsys, debug):
    arguments = ["plan", FOLDER, "--side", "left", "--out", "Sample_Anna", "--json"]
    report_failure(broken_by("Sample^Anna"), debug=debug, as_json=True, arguments=arguments)
    caught = capsys.readouterr()
    assert "Anna" not in caught.out + caught.err
    assert "ValueError" in caught.err
    assert ("broken_by" in caught.err) == debug


def test_documents_call_typed_paths_by_their_option_or_argument(command, tmp_path):
    folder = tmp_path / "Sample_Anna"
    code, out, err = command("measure", folder, "--json")
    assert code == 2
    assert "no case folder Sample_Anna" in err
    assert json.loads(out)["error"]["text"].startswith("there is no case folder CASE.")
    _, out, _ = command("plan", folder, "--side", "left", "--out", folder, "--landmarks", folder, "--json")
    assert "Anna" not in out
    _, out, _ = command("plan", folder, "--out", "Sample_Anna", "--nonsense", "--json")
    assert "Anna" not in out


def test_control_characters_never_reach_the_terminal(command, tmp_path):
    _, _, err = command("check", f"{tmp_path}/\x1b[31mred")
    assert "\x1b" not in err
