"""What `soundcheck` says of a recording, the learning itself left out."""

from __future__ import annotations

import io
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from liveassist.app import soundcheck as command
from liveassist.app.soundcheck import SoundcheckRequest, soundcheck
from tests.unit.output import stored_samples


@pytest.mark.parametrize(
    ("segments", "wanted"),
    [
        ((), "--segment hihat=START:END and likewise for kick, snare."),
        (("kick=0:4", "snare=4:9"), "name its part too: --segment hihat=START:END"),
    ],
)
def test_a_drum_that_was_not_found_can_be_shown(
    segments: tuple[str, ...], wanted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: Any = SimpleNamespace(signatures={"kick": 1, "snare": 1}, notes={})
    monkeypatch.setattr(command, "learn_from_recording", lambda *_: found)
    monkeypatch.setattr(command, "write_learned", lambda *_: None)
    (tmp_path / "kit.toml").write_text(stored_samples.KIT)
    out = io.StringIO()
    soundcheck(SoundcheckRequest(("rec.flac",), str(tmp_path / "kit.toml"), segments), out)
    assert "not heard: hihat" in out.getvalue()
    assert wanted in out.getvalue()
