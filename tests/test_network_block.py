"""The tests run without a network, and so do their child processes: attempts fail and are noted."""

import contextlib
import socket
import subprocess
import sys
import urllib.request

import pytest

ELSEWHERE = ("192.0.2.1", 80)  # RFC 5737: an address for documentation
TRY = f"import socket; socket.create_connection({ELSEWHERE!r}, timeout=5)"


@pytest.fixture
def notes(tmp_path, monkeypatch):
    """Own notes for attempts that a test makes on purpose."""
    file = tmp_path / "notes"
    monkeypatch.setenv("COTYLE_TEST_NETWORK_NOTES", str(file))
    return lambda: file.read_text(encoding="utf-8").splitlines() if file.exists() else []


def by_name():
    socket.getaddrinfo("example.invalid", 80)


def by_address():
    socket.create_connection(ELSEWHERE, timeout=5)


def by_datagram():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.sendto(b"x", ELSEWHERE)


def by_library():
    urllib.request.urlopen("http://example.invalid/", timeout=5)


@pytest.mark.parametrize("attempt", [by_name, by_address, by_datagram, by_library])
def test_an_attempt_to_reach_the_network_fails_and_is_noted(notes, attempt):
    with pytest.raises(OSError, match="tests reach no network"):
        attempt()
    assert len(notes()) == 1


def test_an_attempt_whose_failure_is_swallowed_is_noted_all_the_same(notes):
    with contextlib.suppress(OSError):
        by_address()
    assert notes() == ["socket.connect '192.0.2.1'"]


def test_this_machine_itself_is_reached(notes):
    with socket.create_server(("127.0.0.1", 0)) as server:
        socket.create_connection(server.getsockname(), timeout=5).close()
    assert notes() == []


@pytest.mark.parametrize("safe_path", [False, True])
def test_child_processes_are_blocked_too(notes, safe_path):
    command = [sys.executable, *(["-P"] if safe_path else []), "-c", TRY]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "tests reach no network" in done.stderr
    assert len(notes()) == 1


def test_the_children_that_read_strangers_files_are_blocked_too(notes, monkeypatch):
    """They are started with the parent's own path; here one does what a file that took control of it would."""
    from cotyle.image import apart

    started = subprocess.Popen
    monkeypatch.setattr(apart.subprocess, "Popen", lambda command, **how: started([*command[:-1], TRY], **how))
    with apart.child("decoder", {}) as child, pytest.raises(apart.ChildDiedError):
        child.answer(20.0)
    assert len(notes()) == 1
