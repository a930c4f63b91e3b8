"""Learning a surface through the ports of a real audio server, on a terminal as a person does."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from liveassist.errors import OutputError
from liveassist.output.learn_port import learn_surface
from liveassist.output.surfaces import load_surface, parse_surface

from ..unit.output.scene import SNAPSHOT
from .conftest import JackServer, wait_until
from .midi_ports import Keyboard, Recorder
from .test_midi_ports import _opened, _wait_ok

pytestmark = pytest.mark.realparts


def test_a_surface_is_learned_from_a_real_port(jack_server: JackServer) -> None:
    with Keyboard("my faders") as keys:
        answers = iter(["", "left fader", "spread_db", "snare", "0 6", "", ""])

        def tell(text: str) -> None:
            if text.startswith("move left fader"):
                for value in (0, 40, 80, 127):
                    keys.play(bytes([0xB0, 21, value]))

        text = learn_surface("my faders", "bank", lambda question: next(answers), tell)
    surface = parse_surface(text, "learned.toml")
    control = surface.controls[0]
    assert (control.name, control.message, control.channel, control.number) == (
        "left fader",
        "cc",
        1,
        21,
    )


def test_learning_from_a_port_that_is_not_there(jack_server: JackServer) -> None:
    with pytest.raises(OutputError, match="no MIDI input port matches 'nobody'"):
        learn_surface("nobody", "bank", lambda question: "", lambda text: None)


class _Terminal:
    """``liveassist`` on a terminal of its own, as a person sees it."""

    def __init__(self, *words: str) -> None:
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "liveassist", *words], stdin=slave, stdout=slave, stderr=slave
        )
        os.close(slave)
        self.seen = ""

    def wait_for(self, text: str) -> None:
        """Read until ``text`` has come since the last call."""
        end = time.monotonic() + 20.0
        while text not in self.seen:
            if time.monotonic() > end or not select.select([self._master], [], [], 20.0)[0]:
                pytest.fail(f"{text!r} never came; seen: {self.seen!r}")
            try:
                self.seen += os.read(self._master, 4096).decode()
            except OSError:
                pytest.fail(f"it ended before {text!r}; seen: {self.seen!r}")
        self.seen = self.seen.split(text, 1)[1]

    def answer(self, question: str, line: str) -> None:
        """Wait for a question and type the answer."""
        self.wait_for(question)
        os.write(self._master, line.encode() + b"\n")

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._master)


def test_a_person_learns_a_whole_surface_on_a_terminal(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Two faders on two pages, a button and two lights, through the ports of the server."""
    out = tmp_path / "my_grid.toml"
    with Keyboard("mygrid keys") as keys, Recorder("mygrid lamps") as lamps:
        person = _Terminal("learn", "mygrid", "--out", str(out))
        try:
            person.answer("how many pages", "2")
            figures = {"1": "suggested_threshold_dbfs", "2": "bleed_margin_db"}
            for page, figure in figures.items():
                person.answer("name of the next control", f"fader {page}")
                person.wait_for(f"move fader {page} now")
                for value in range(0, 128, 16):
                    keys.play(bytes([0xB0, 21, value]))
                person.wait_for(f"fader {page} is a fader: cc 21, channel 1")
                person.answer("which figure", figure)
                person.answer("of which mic", "snare")
                person.answer("from what to what", "-60 0" if page == "1" else "0 30")
                person.answer("on which page", page)
            person.answer("name of the next control", "turn")
            person.wait_for("move turn now")
            keys.play(bytes.fromhex("90 24 50"))
            person.answer("what does it do", "page")
            person.answer("which page", "2")
            person.answer("name of the next control", "")
            person.answer("teach its lights", "yes")
            person.wait_for("press the pad")
            keys.play(bytes.fromhex("90 25 50"))
            for meaning, number in (("off", 0), ("good", 21), ("stop", 5)):
                person.answer(f"value for '{meaning}'", f"{number}")
                shown = bytes([0x90, 0x25, number])
                wait_until(lambda: lamps.messages()[-1:] == [shown], 5.0, f"{meaning} on the pad")  # noqa: B023
                person.answer(f"value for '{meaning}'", "")
                skipped = {
                    "off": ["quiet"],
                    "good": ["info", "look"],
                    "stop": ["running", "waiting"],
                }
                for other in skipped[meaning]:
                    person.answer(f"value for '{other}'", "-")
            person.answer("which of these blink", "stop")
            for name, note, shows in (("one", 0x26, "take"), ("two", 0x27, "mic")):
                person.answer("name of the next light", name)
                person.wait_for(f"press {name} now")
                keys.play(bytes([0x90, note, 0x50]))
                person.answer("what does it show", shows)
                if shows == "mic":
                    person.answer("which mic", "snare")
                person.answer("on which page", "")
                person.wait_for(f"{name} is lit now: note {note}, channel 1")
            person.answer("name of the next light", "")
            person.wait_for("says what it does.")
            assert person.process.wait(10) == 0
        finally:
            person.close()
        # Everything that was lit is dark again.
        wait_until(lambda: lamps.messages()[-1] == bytes.fromhex("90 27 00"), 5.0, "darkness")
    surface = load_surface(out)
    assert [(c.name, c.quantity.key, c.page) for c in surface.controls] == [
        ("fader 1", "suggested_threshold_dbfs", 1),
        ("fader 2", "bleed_margin_db", 2),
    ]
    assert surface.meanings == {"off": 0, "good": 21, "stop": 5}
    assert surface.blink == ("stop",)
    said = subprocess.run(
        [sys.executable, "-m", "liveassist", "check", str(out)],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    ).stdout
    assert "fader 1 shows the snare's suggested threshold from -60 to 0 dBFS" in said
    # And it works: the fader and a light, on a session with that profile.
    with (
        Recorder("mygrid lamps") as lamps,
        Keyboard("mygrid keys") as keys,
        _opened(surface) as router,
    ):
        _wait_ok(router)
        router.publish_snapshot(SNAPSHOT)
        # -24.5 of -60 to 0: 75.1 of 127 is 4B; a take runs, which falls back to good.
        expected = {bytes.fromhex("B0 15 4B"), bytes.fromhex("90 26 15")}
        wait_until(lambda: expected <= set(lamps.messages()), 5.0, "the fader and the light")
        keys.play(bytes.fromhex("90 24 50"))
        margin = bytes.fromhex("B0 15 34")  # 12.4 of 0 to 30: 52.5 of 127
        wait_until(lambda: margin in lamps.messages(), 5.0, "the second page")


def test_the_learn_command_writes_a_profile(jack_server: JackServer, tmp_path: Path) -> None:
    out = tmp_path / "my_bank.toml"
    command = [sys.executable, "-m", "liveassist", "learn", "my pads", "--out", str(out)]
    with Keyboard("my pads") as keys:
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write("\npad\n")
        line = ""
        while "move pad now" not in line:
            line = process.stdout.readline()
            assert line, "the command ended too soon"
        keys.play(bytes.fromhex("90 24 50"))
        process.stdin.write("take/mark\n\n")
        rest, _ = process.communicate(timeout=20)
    assert process.returncode == 0, rest
    press = load_surface(out).presses[0]
    assert (press.message, press.number, press.command) == ("note", 36, "take/mark")
