"""What `status` and `watch` say, without a daemon."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from liveassist.app.watch import status_lines, watch
from liveassist.errors import LiveassistError


def test_what_was_lost_is_said_in_seconds() -> None:
    """564621 samples at 48 kHz are 11.76 s."""
    answer = {"sample_rate_hz": 48_000, "lost_samples": 564_621, "overrun_samples": 48_000}
    said = " ".join(status_lines(answer))
    assert "lost 11.8 s of sound (564621 samples), 1 s of sound (48000 samples) of it read" in said
    assert "lost nothing" in " ".join(status_lines({"sample_rate_hz": 48_000}))


def test_only_the_drawn_dashboard_needs_a_terminal(tmp_path: Path) -> None:
    gone = tmp_path / "gone.sock"
    with pytest.raises(LiveassistError, match="--plain"):
        watch(None, io.StringIO(), gone)
    with pytest.raises(LiveassistError) as error:
        watch(None, io.StringIO(), gone, plain=True)
    assert "terminal" not in str(error.value)
