"""Every file that pydicom and pydicom-data install ends in a result or a stable code, and leaves nothing behind.

``python -m tests.reliability.write_page`` does so with time and memory as well.
"""

from __future__ import annotations

import pytest

from tests.reliability.corpus import corpus_files, endings

FILES = corpus_files()
LARGE_BYTES = 1 << 20


def test_the_corpus_is_there():
    assert len(FILES) >= 170  # what pydicom itself installs


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_a_file_gives_a_result_or_a_stable_code(path, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ways = ("check", "ct") if path.stat().st_size > LARGE_BYTES else ("check", "ct", "picture")
    for ending in endings(path, ways):
        assert not ending.is_fault, ending
        assert ending.end == "result" or "\n" not in ending.line
    assert list(tmp_path.iterdir()) == []
