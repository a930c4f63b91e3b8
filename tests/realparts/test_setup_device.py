"""Setting up at a real audio server: drums are played into it, and the profile fits them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from liveassist.app.config import load_kit
from liveassist.app.setup import LiveSetup, setup
from liveassist.model import Drum, Mic
from tests.realparts.live_parts import NAME, RATE, Player, Server

pytestmark = pytest.mark.realparts

#: Level of each drum on the four channels, dBFS: the kick is on the third, the snare on the second.
LEVELS = {"kick": (-34.0, -30.0, -6.0, -28.0), "snare": (-22.0, -9.0, -32.0, -24.0)}
#: Strokes come so often, s, from when on; many, so that a slow machine misses none it needs.
EVERY_S, KICKS_S, SNARES_S, END_S = 0.5, 0.5, 5.0, 12.0


@pytest.fixture(autouse=True)
def _our_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")


@pytest.fixture
def player(tmp_path: Path) -> Iterator[Player]:
    rng = np.random.default_rng(6)
    audio = 1e-5 * rng.standard_normal((round(END_S * RATE), 4))
    time = np.arange(round(0.3 * RATE)) / RATE
    burst = rng.standard_normal(len(time)) * 10.0 ** (-3.0 * time / 0.2)
    burst /= np.abs(burst).max()
    for drum, first, last in (("kick", KICKS_S, 3.0), ("snare", SNARES_S, 11.0)):
        for at in np.arange(first, last, EVERY_S):
            start = round(at * RATE)
            for channel, level in enumerate(LEVELS[drum]):
                audio[start : start + len(time), channel] += 10.0 ** (level / 20.0) * burst
    np.save(tmp_path / "drums.npy", audio.astype(np.float32))
    server = Server(1024)
    player = Player("rehearsal", str(tmp_path / "drums.npy"))
    yield player
    player.close()
    server.close()


def test_a_profile_is_written_while_drums_are_hit(player: Player, tmp_path: Path) -> None:
    out = io.StringIO()

    def ask(question: str) -> str:
        if "Which drums" in question:
            # What follows is the kick's turn: the drummer begins.
            player.go()
            return "kick snare"
        return ""

    request = LiveSetup(device="rehearsal", out=tmp_path / "kit.toml", name="rehearsal room")
    assert setup(request, ask, out) == 0
    kit = load_kit(tmp_path / "kit.toml")
    assert kit.drums == (Drum("kick", "kick", own="kick"), Drum("snare", "snare", own="snare"))
    assert kit.mics == (
        Mic("over_left", 1), Mic("snare", 2), Mic("kick", 3), Mic("over_right", 4),
    )  # fmt: skip
    said = out.getvalue()
    assert 'Listening to "rehearsal": 4 channels.' in said
    assert "loudest on channel 3" in said
    assert "protect your hearing" in said
