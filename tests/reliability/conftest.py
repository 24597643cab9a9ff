import os
import tempfile
from pathlib import Path

import pytest

_IN_MEMORY = Path("/dev/shm")


@pytest.fixture
def place():
    """A folder on a disk in memory where there is one: what is written whole is flushed often, which takes its time."""
    base = _IN_MEMORY if os.access(_IN_MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="cotyle-test-", dir=base) as folder:
        yield Path(folder)
