"""A session killed at random moments goes on with everything older than a second."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.speed.killing import run


@pytest.mark.skipif(sys.platform == "win32", reason="kills with SIGKILL, which Windows lacks")
def test_ten_kills_lose_nothing_older_than_a_second(tmp_path: Path) -> None:
    """Ten of the hundred that ``python -m tests.speed.killing`` does."""
    assert run(tmp_path, times=10, seed=7, life_s=(0.2, 3.0)) == []
