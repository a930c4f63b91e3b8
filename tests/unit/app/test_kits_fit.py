"""The bundled kits name the channels of the recorded sessions."""

from __future__ import annotations

import json

import pytest

from liveassist.app.config import load_kit
from liveassist.input.files import open_recording
from tests.bench.realkit_truth import MISSING, folder


@pytest.mark.realkit
@pytest.mark.parametrize(
    ("session", "kit"),
    [
        ("a_groove", "eight_mics"),
        ("a_hardbleed_soundcheck", "eight_mics"),
        ("a_takes", "eight_mics"),
        ("a_fewmics", "three_mics"),
    ],
)
def test_channels_and_own_microphones(session: str, kit: str) -> None:
    where = folder()
    if where is None:
        pytest.skip(MISSING)
    facts = json.loads((where / f"{session}.json").read_text())
    loaded = load_kit(kit)
    assert [mic.name for mic in loaded.mics] == facts["mics"]
    assert [mic.channel for mic in loaded.mics] == list(range(1, len(facts["mics"]) + 1))
    assert {drum.name: drum.own for drum in loaded.drums if drum.own} == facts["own"]
    with open_recording([str(where / f"{session}.flac")], loaded) as recording:
        block = next(recording.blocks(4096))
    assert block.audio.shape == (4096, len(facts["mics"]))
