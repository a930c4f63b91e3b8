"""Faults of child and server: noticed, survived, and counted as the player's counter says.

Samples are asserted, never wall time.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator

import pytest

from liveassist.input.device import DeviceSource
from tests.realparts.jack_player import WRAP
from tests.realparts.live_parts import KIT, NAME, RATE, Player, Reader, Server

pytestmark = pytest.mark.realparts


@pytest.fixture(autouse=True)
def _our_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")


@pytest.fixture
def fallible(_our_server: None) -> Iterator[tuple[Server, list[Player]]]:
    """A server that does not wait for its clients, and may be stalled or killed."""
    server = Server(1024, sync=False)
    players = [Player("drumsim", "counter", "6")]
    yield server, players
    for player in players:
        player.close()
    server.close()


@pytest.fixture
def reader(fallible: tuple[Server, list[Player]]) -> Iterator[Reader]:
    source = DeviceSource(KIT, "drumsim", None, 128)
    source.start()
    made = Reader(source, exact=False)
    made.until(RATE)
    yield made
    source.close()


def test_a_child_that_was_stopped_loses_what_the_counter_says(reader: Reader) -> None:
    missing, said = reader.missing, reader.source.lost_samples
    child = reader.source.child_pid
    assert child is not None
    os.kill(child, signal.SIGSTOP)
    time.sleep(0.3)
    os.kill(child, signal.SIGCONT)
    reader.until(RATE)
    missing, said = reader.missing - missing, reader.source.lost_samples - said
    assert missing > 0.2 * RATE
    # Within one period of the truth; above it by no more than the machine itself came late.
    assert missing - 1024 <= said <= missing + 4800
    assert reader.source.restarts == 0


def test_short_overruns_are_each_counted(reader: Reader) -> None:
    """As an interface's driver overruns when a program is not let run: one to four periods."""
    child = reader.source.child_pid
    assert child is not None
    for pause_s in (0.03, 0.045, 0.06, 0.09):
        missing, said = reader.missing, reader.source.lost_samples
        os.kill(child, signal.SIGSTOP)
        time.sleep(pause_s)
        os.kill(child, signal.SIGCONT)
        reader.until(RATE // 2)
        # A server that was overrun may hand a period out twice: what counts is the sum.
        missing = (reader.missing - missing + WRAP // 2) % WRAP - WRAP // 2
        said = reader.source.lost_samples - said
        assert missing - 1024 <= said <= max(missing, 0) + 4800
        assert said > 0 or missing <= 0
    assert reader.source.restarts == 0


def test_a_server_killed_and_started_again_is_survived_and_counted(
    fallible: tuple[Server, list[Player]], reader: Reader
) -> None:
    server, players = fallible
    server.kill()
    players.pop().kill()
    reader.until_state("recovering")
    assert reader.source.note
    server.start()
    players.append(Player("drumsim", "counter", "6"))
    before = reader.source.lost_samples
    reader.until(RATE)
    assert reader.source.restarts == 1
    assert reader.source.lost_samples - before > 0
    assert reader.states[-3:] == ["running", "recovering", "running"]


def test_a_stalled_server_is_noticed_and_the_pause_counted(
    fallible: tuple[Server, list[Player]], reader: Reader
) -> None:
    server, _ = fallible
    server.signal(signal.SIGSTOP)
    reader.until_state("recovering")
    server.signal(signal.SIGCONT)
    before = reader.source.lost_samples
    reader.until(RATE)
    assert reader.source.state == "running"
    assert reader.source.lost_samples - before > 0.2 * RATE
    # The old child goes on: a new one would have had to wait for the server as well.
    assert reader.source.restarts == 0


def test_a_source_that_ends_is_waited_for(
    fallible: tuple[Server, list[Player]], reader: Reader
) -> None:
    """The audio library only delivers silence then; it does not reconnect by itself."""
    _, players = fallible
    players.pop().kill()
    reader.until_state("recovering")
    assert "source of the audio is gone" in reader.source.note
    players.append(Player("drumsim", "counter", "6"))
    reader.until_state("running")
    reader.until(RATE // 2)
    assert reader.source.restarts == 1


@pytest.mark.parametrize("away_s", [0.0, 0.6])
def test_a_source_that_is_back_before_anybody_looked_is_connected_again(
    fallible: tuple[Server, list[Player]], reader: Reader, away_s: float
) -> None:
    """As a plug that was bumped: gone and back under the same name, within a second. Its audio
    would stay away, for nothing connects it with us again."""
    _, players = fallible
    players.pop().kill()
    time.sleep(away_s)
    players.append(Player("drumsim", "counter", "6"))
    back = reader.heard
    reader.until_state("recovering")
    assert "source of the audio is gone" in reader.source.note
    reader.until_state("running")
    reader.until(RATE // 2)
    assert reader.source.restarts == 1
    assert reader.heard > back
