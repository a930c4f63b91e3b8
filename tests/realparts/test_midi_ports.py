"""MIDI through the ports of a real audio server, read and played as raw bytes."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from liveassist.model import OutputState
from liveassist.output.apply import Outcome
from liveassist.output.commands import Command
from liveassist.output.router import Router, demo_surface, open_outputs
from liveassist.output.surface_model import PRESS_COMMANDS, Surface
from liveassist.output.surfaces import load_surface, parse_surface

from ..unit.output.scene import HIT, KIT, SNAPSHOT
from .conftest import JackServer, wait_until
from .midi_ports import Keyboard, Recorder

pytestmark = pytest.mark.realparts

SHIPPED = Path(__file__).parents[2] / "profiles" / "surfaces"
#: A port that comes back must be found within this, seconds.
RETURN_S = 2.0

HITS = parse_surface(
    """
    surface = { name = "hits" }
    midi = [{ name = "instrument", port = "notebox" }]
    hit = [{ drum = "snare", note = 38, length_ms = 30 }, { drum = "kick", note = 36 }]
    """,
    "hits.toml",
)


@contextmanager
def _opened(surface: Surface) -> Iterator[Router]:
    router = open_outputs([surface], KIT)
    try:
        yield router
    finally:
        router.close()


def _midi(router: Router) -> OutputState:
    return next(state for state in router.states() if state.kind == "midi")


def _wait_ok(router: Router, timeout_s: float = 10.0) -> None:
    wait_until(lambda: _midi(router).state == "ok", timeout_s, "the MIDI port to be found")


def test_the_bytes_of_a_hit(jack_server: JackServer) -> None:
    """MIDI 1.0: note on, channel 10, key 38, velocity 104; note off with release velocity 64."""
    with Recorder("notebox") as recorder, _opened(HITS) as router:
        _wait_ok(router)
        router.publish(HIT)
        wait_until(lambda: len(recorder.messages()) == 2, 5.0, "two messages")
        assert recorder.messages() == [bytes.fromhex("99 26 68"), bytes.fromhex("89 26 40")]
        assert (_midi(router).sent, _midi(router).dropped) == (2, 0)


def test_many_hits_arrive_whole_and_in_order(jack_server: JackServer) -> None:
    with Recorder("notebox") as recorder, _opened(HITS) as router:
        _wait_ok(router)
        for velocity in range(1, 101):
            router.publish(replace(HIT, number=velocity, velocity=velocity))
        wait_until(lambda: len(recorder.messages()) == 200, 10.0, "100 notes on and off")
        on = [message[2] for message in recorder.messages() if message[0] == 0x99]
        assert on == list(range(1, 101))


def test_a_port_that_goes_and_comes_back(jack_server: JackServer) -> None:
    with _opened(HITS) as router:
        wait_until(lambda: "matches" in _midi(router).note, 10.0, "a word about the missing port")
        assert _midi(router).state == "absent"
        with Recorder("notebox"):
            _wait_ok(router, RETURN_S)
        wait_until(lambda: _midi(router).state == "down", RETURN_S, "the port to be missed")
        router.publish(HIT)
        with Recorder("notebox") as recorder:
            _wait_ok(router, RETURN_S)
            router.publish(replace(HIT, velocity=77))
            wait_until(lambda: len(recorder.messages()) == 2, 5.0, "the next hit")
            # Nothing of what happened while it was away, nothing twice.
            assert recorder.messages() == [bytes.fromhex("99 26 4D"), bytes.fromhex("89 26 40")]


def test_figures_on_the_shipped_fader_bank(jack_server: JackServer) -> None:
    surface = load_surface(SHIPPED / "eight_fader_bank.toml")
    with (
        Recorder("fader bank") as faders,
        Keyboard("fader keys") as keys,
        _opened(surface) as router,
    ):
        _wait_ok(router)
        router.publish_snapshot(SNAPSHOT)
        # Spread 1.4 of 0 to 6 dB: 29.6 of 127. Margin 12.4 of 0 to 30 dB: 52.5. None clipped.
        expected = {bytes.fromhex("B0 04 1E"), bytes.fromhex("B0 06 34")}
        wait_until(lambda: expected <= set(faders.messages()), 5.0, "faders 4 and 6")
        keys.play(bytes.fromhex("B0 41 7F"))  # button 2: page 2
        # Suggested -24.5 of -60 to 0 dBFS: 9693.3 of 16383 is 4B 5D.
        threshold = bytes.fromhex("B0 02 4B"), bytes.fromhex("B0 22 5D")
        wait_until(lambda: set(threshold) <= set(faders.messages()), 5.0, "the threshold")
        keys.play(bytes.fromhex("B0 42 7F"))  # button 3
        found: list[Command] = []

        def arrived() -> bool:
            found.extend(router.commands())
            return bool(found)

        wait_until(arrived, 5.0, "the command of button 3")
        assert [command.name for command in found] == ["take/toggle"]


def test_lights_of_the_shipped_pad_grid(jack_server: JackServer) -> None:
    surface = load_surface(SHIPPED / "pad_grid_lights.toml")
    with Recorder("pad grid") as grid, Keyboard("pad keys") as keys, _opened(surface) as router:
        _wait_ok(router)
        router.publish_snapshot(SNAPSHOT)
        # A take runs (100), the snare is worth a look (80), the kick has hits (32).
        lights = {bytes.fromhex("90 24 64"), bytes.fromhex("90 27 50"), bytes.fromhex("90 26 20")}
        wait_until(lambda: lights <= set(grid.messages()), 5.0, "the lights")
        keys.play(bytes.fromhex("90 24 50"))  # another velocity: the same would be an echo
        found: list[Command] = []

        def arrived() -> bool:
            found.extend(router.commands())
            return bool(found)

        wait_until(arrived, 5.0, "the command of pad 1")
        assert found[0].name == "take/toggle"


def test_text_on_the_shipped_display(jack_server: JackServer) -> None:
    surface = load_surface(SHIPPED / "text_display.toml")
    with Recorder("display") as display, _opened(surface) as router:
        _wait_ok(router)
        router.publish_snapshot(SNAPSHOT)
        text = b"\xf0\x7d\x01\x10suggested -24.5 dBFS\xf7"
        wait_until(lambda: text in display.messages(), 5.0, "the suggested threshold")


def test_the_demonstration_finds_a_port(jack_server: JackServer) -> None:
    with Recorder("any instrument") as recorder, _opened(demo_surface()) as router:
        _wait_ok(router)
        router.publish(HIT)
        wait_until(lambda: bool(recorder.messages()), 5.0, "a note")
        assert recorder.messages()[0] == bytes.fromhex("99 26 68")


def _collect(router: Router, count: int) -> list[Command]:
    """The next commands, in order."""
    found: list[Command] = []

    def arrived() -> bool:
        found.extend(router.commands())
        return len(found) >= count

    wait_until(arrived, 5.0, f"{count} commands")
    return found


def test_a_machine_that_records_makes_takes(jack_server: JackServer) -> None:
    """Start, continue and stop (MIDI 1.0) and machine control record, record exit and stop
    (RP-013), as raw bytes on the server's port; clock and active sensing in between."""
    surface = load_surface(SHIPPED / "recorder_transport.toml")
    with Keyboard("recorder out") as machine, _opened(surface) as router:
        _wait_ok(router)
        for data in (
            "FA", "F8", "FC", "FB", "FE", "FC",
            "F0 7F 7F 06 06 F7", "F0 7F 7F 06 01 F7",
            "F0 7F 10 06 06 F7", "F0 7F 10 06 07 F7",
            "F0 7F 7F 06 02 F7",
        ):  # fmt: skip
            machine.play(bytes.fromhex(data))
        found = _collect(router, 8)
        assert [command.name for command in found] == ["take/start", "take/stop"] * 4
        assert all(command.source == "MIDI recorder" for command in found)
        moments = [command.heard_s for command in found]
        assert all(moment is not None for moment in moments)
        assert moments == sorted(moments, key=lambda moment: moment or 0.0)


def test_buttons_pads_and_faders_give_every_command(jack_server: JackServer) -> None:
    """Whatever OSC can ask for, a control can: each of the table once, on the server's port."""
    names = [name for name in PRESS_COMMANDS if name not in ("take/toggle", "page")]
    rows = []
    for number, name in enumerate(names):
        value = "snare_top" if name.startswith("apply/") else "tight" if name == "aim" else ""
        rows.append(
            f'[[press]]\nname = "b{number}"\nmessage = "{("cc", "note", "program")[number % 3]}"\n'
            f'number = {number}\ncommand = "{name}"\nvalue = "{value}"\n'
        )
    text = '[surface]\nname = "x"\n[[midi]]\nname = "desk"\nport = "desk"\noutput = false\n'
    surface = parse_surface(text + "input = true\n" + "\n".join(rows), "x.toml")
    status = (0xB0, 0x90, 0xC0)
    with Keyboard("desk out") as keys, _opened(surface) as router:
        _wait_ok(router)
        taken: list[Command] = []
        carried_out = router._applying.command

        def command(command: Command, health: Mapping[str, str], now: float) -> Outcome | None:
            taken.append(command)
            return carried_out(command, health, now)

        router._applying.command = command  # type: ignore[method-assign]
        for number in range(len(names)):
            data = bytes([status[number % 3], number, 100])
            keys.play(data[:2] if number % 3 == 2 else data)
        plain = [name for name in names if not name.startswith("apply/")]
        assert [command.name for command in _collect(router, len(plain))] == plain
        assert [c.name for c in taken] == [name for name in names if name.startswith("apply/")]


def test_a_loop_in_the_cables_is_broken(jack_server: JackServer) -> None:
    """Our own output led back into our own input: a light with the note of a button that stops
    takes, which would stop every take as soon as the light says that one runs."""
    surface = parse_surface(
        """
        surface = { name = "x" }
        midi = [{ name = "pads", port = "loop", input = true }]
        meaning = { off = 0, running = 100, waiting = 5 }
        light = [{ name = "p", shows = "take", number = 36 }]
        press = [{ name = "p", message = "note", number = 36, command = "take/toggle" }]
        """,
        "x.toml",
    )
    with Keyboard("loop keys") as keys, Recorder("loop lamps") as lamps, _opened(surface) as router:
        _wait_ok(router)
        lamps.tap = keys.play  # every message comes back at once
        router.publish_snapshot(SNAPSHOT)
        wait_until(lambda: "1 messages came back as sent" in _midi(router).note, 5.0, "the echo")
        assert router.commands() == []
        assert len(lamps.messages()) == 1
        lamps.tap = None
        keys.play(bytes.fromhex("90 24 7F"))  # a finger, harder than the light
        assert [command.name for command in _collect(router, 1)] == ["take/toggle"]


def test_an_unplugged_device_is_disarmed_and_gets_nothing_when_it_returns(
    jack_server: JackServer,
) -> None:
    surface = parse_surface(
        """
        surface = { name = "x" }
        midi = [
          { name = "gate", port = "gatebox" },
          { name = "keys", port = "armkeys", output = false, input = true },
        ]
        [[apply]]
        name = "threshold"
        shows = "suggested_threshold_dbfs"
        mic = "snare"
        message = "cc14"
        number = 1
        range = [-60, 0]
        [[press]]
        name = "arm"
        number = 64
        command = "apply/arm"
        value = "snare_top"
        [[press]]
        name = "now"
        number = 65
        command = "apply/now"
        value = "snare_top"
        """,
        "x.toml",
    )

    def states() -> dict[str, str]:
        return {state.name: state.state for state in router.states()}

    def look() -> dict[str, float]:
        router.commands()
        router.publish_snapshot(SNAPSHOT)
        return router.armed()

    with Keyboard("armkeys") as keys, _opened(surface) as router:
        with Recorder("gatebox"):
            wait_until(lambda: set(states().values()) == {"ok"}, 10.0, "both ports")
            look()
            keys.play(bytes.fromhex("B0 40 7F"))
            wait_until(lambda: "snare_top" in look(), 5.0, "arming")
        wait_until(lambda: look() == {}, RETURN_S, "disarming, since the device is gone")
        with Recorder("gatebox") as gate:
            wait_until(lambda: states()["gate"] == "ok", RETURN_S, "its return")
            refused: list[str] = []
            answer = router.answer

            def listen(command: Command, done: bool, why: str = "") -> None:
                refused.append(why)
                answer(command, done, why)

            router.answer = listen  # type: ignore[method-assign]
            keys.play(bytes.fromhex("B0 41 7F"))  # apply now: nothing is armed any more
            keys.play(bytes.fromhex("B0 40 00"))
            wait_until(lambda: look() == {} and bool(refused), 5.0, "the button")
            assert refused == ["snare_top is not armed"]
            assert gate.messages() == []
            assert router.applied() == ()
            keys.play(bytes.fromhex("B0 40 7F"))
            wait_until(lambda: "snare_top" in look(), 5.0, "arming again")
            keys.play(bytes.fromhex("B0 41 00"))
            keys.play(bytes.fromhex("B0 41 7F"))
            # Suggested -24.5 of -60 to 0 dBFS: 9693.3 of 16383 is 4B 5D.
            sent = [bytes.fromhex("B0 01 4B"), bytes.fromhex("B0 21 5D")]
            wait_until(lambda: look() == {} and gate.messages() == sent, 5.0, "the setting, once")
            (applied,) = router.applied()
            assert (applied.mic, applied.value, applied.before) == ("snare_top", -24.5, None)


def _connections() -> dict[str, set[str]]:
    """By port of ours: what the server says it is connected to."""
    text = subprocess.run(
        ["jack_lsp", "-c"], capture_output=True, text=True, timeout=10, check=True
    ).stdout
    found: dict[str, set[str]] = {}
    port = ""
    for line in text.splitlines():
        if line.startswith(" "):
            found[port].add(line.strip())
        else:
            port = line.strip()
            found[port] = set()
    return {port: peers for port, peers in found.items() if port.startswith("liveassist") and peers}


def test_each_of_several_ports_gets_its_own_device_however_they_come_and_go(
    jack_server: JackServer,
) -> None:
    """Our own inputs take places in the server's list as they are opened, and devices that end
    free some: a place read before is another device's when it is opened."""
    kinds = ("deska", "deskb", "deskc", "deskd")
    text = 'surface = { name = "x" }\n' + "\n".join(
        f'[[midi]]\nname = "{kind}"\nport = "{kind}"\ninput = true' for kind in kinds
    )
    there: dict[str, tuple[Recorder, Keyboard]] = {}

    def on(*named: str) -> None:
        for kind in named:
            there[kind] = (Recorder(f"{kind}-in"), Keyboard(f"{kind}-out"))

    def off(*named: str) -> None:
        for kind in named:
            for part in there.pop(kind):
                part.close()

    def right() -> bool:
        linked = _connections()
        wrong = [(port, peers) for port, peers in linked.items() if len(peers) > 1]
        for port, peers in linked.items():
            kind = port.rpartition(":")[2]
            wrong += [(port, peers) for peer in peers if not peer.startswith(kind)]
        assert not wrong
        return len(linked) == 2 * len(there)

    with _opened(parse_surface(text, "x.toml")) as router:
        try:
            on(*kinds)
            wait_until(right, 10.0, "all of them")
            for order in (("deskc", "deska"), ("deskb", "deskd", "deska"), ("deska",)):
                off(*order)
                on(*order)  # at once: too soon to be missed
                wait_until(right, 2 * RETURN_S, f"{order} again")
                off(*order)
                wait_until(right, RETURN_S, "the others")
                on(*reversed(order))
                wait_until(right, 2 * RETURN_S, f"{order} once more")
            wait_until(
                lambda: {state.state for state in router.states()} == {"ok"},
                RETURN_S,
                "all of them",
            )
        finally:
            off(*list(there))
