import sys


def test_without_its_packages_the_viewer_says_in_one_line_what_to_install(command, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "trame_slicer", None)
    code, out, err = command("view", tmp_path)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "[viewer]" in err


def test_nothing_to_view_is_one_line(command, tmp_path):
    code, _, err = command("view", tmp_path / "nowhere", "--no-browser")
    assert code == 2
    assert err.count("\n") == 1
    assert "nowhere" in err


def test_every_network_at_once_is_refused(command, own_case):
    code, _, err = command("view", own_case, "--no-browser", "--open-to-network", "0.0.0.0")
    assert code == 2
    assert err.count("\n") == 1
    assert "[address]" in err
