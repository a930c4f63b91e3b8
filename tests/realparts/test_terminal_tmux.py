"""The dashboard in a real terminal (tmux): what is on the screen, after a resize, after keys."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

pytestmark = pytest.mark.realparts

ROOT = Path(__file__).resolve().parents[2]
TIMEOUT_S = 20.0
#: The whole program starts, and its first take begins three seconds after that.
START_S = 240.0

#: Draws until q; says on leaving how many frames there were.
SCRIPT = """\
import sys, time
from dataclasses import replace
from liveassist.output.terminal import Dashboard, KeyReader
from tests.unit.output.terminal_samples import full

base = replace(full(), take=None)
begin = time.monotonic()
left = False
with Dashboard() as dashboard, KeyReader() as keys:
    while not left and time.monotonic() - begin < 60:
        dashboard.draw(replace(base, time_s=base.time_s + time.monotonic() - begin))
        for press in dashboard.typed(keys.typed()):
            left = press.command == "quit" or left
        time.sleep(0.02)
spent = time.monotonic() - begin
print("gone after", dashboard.frames, "frames,", "within" if dashboard.frames <= 10 * spent + 3
      else "beyond", "the limit,", "by key" if left else "by time")
time.sleep(60)
"""


@dataclass
class Tmux:
    """A tmux server of our own with one window."""

    socket: str

    def __call__(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self.socket, "-f", os.devnull, *words],
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=True,
        )
        return done.stdout

    def running(self) -> bool:
        """Whether the program in the window is still there: the server ends with it."""
        return (
            subprocess.run(
                ["tmux", "-S", self.socket, "list-panes"],
                capture_output=True,
                timeout=10,
                check=False,
            ).returncode
            == 0
        )

    def lines(self, *options: str) -> list[str]:
        """What the window shows now."""
        return self("capture-pane", "-p", *options).rstrip("\n").split("\n")

    def until(
        self, wanted: Callable[[list[str]], bool], what: str, timeout_s: float = TIMEOUT_S
    ) -> list[str]:
        """The window's lines once ``wanted`` holds of them; fails when time is up."""
        end = time.monotonic() + timeout_s
        while not wanted(lines := self.lines()):
            if time.monotonic() > end:
                pytest.fail(f"waited in vain for {what}; the screen shows:\n" + "\n".join(lines))
            time.sleep(0.05)
        return lines


def start(tmux: Tmux, script: Path, width: int, height: int, **environ: str) -> None:
    """Open the window at a size and start the script in it."""
    assigned = " ".join(f"{name}={shlex.quote(value)}" for name, value in environ.items())
    command = f"{assigned} exec {shlex.quote(sys.executable)} {shlex.quote(str(script))}"
    tmux(
        *("new-session", "-d", "-x", str(width), "-y", str(height), "-c", str(ROOT)),
        f"PYTHONPATH={shlex.quote(str(ROOT))} PYTHONWARNINGS=error LC_ALL=C.UTF-8 {command}",
        *(";", "set", "-g", "status", "off", ";", "resize-window"),
        *("-x", str(width), "-y", str(height)),
    )


@pytest.fixture
def tmux(tmp_path: Path) -> Iterator[Tmux]:
    if shutil.which("tmux") is None:
        pytest.fail("tmux is needed for this test: apt-get install tmux")
    server = Tmux(str(tmp_path / "socket"))
    yield server
    subprocess.run(
        ["tmux", "-S", server.socket, "kill-server"], capture_output=True, timeout=10, check=False
    )


@pytest.fixture
def script(tmp_path: Path) -> Path:
    path = tmp_path / "draw.py"
    path.write_text(textwrap.dedent(SCRIPT), encoding="utf-8")
    return path


@pytest.mark.parametrize(("width", "height"), [(80, 24), (160, 50)])
def test_screen_is_whole_in_a_real_terminal(
    tmux: Tmux, script: Path, width: int, height: int
) -> None:
    start(tmux, script, width, height)
    lines = tmux.until(lambda seen: "? help" in seen[-1], "the key line")
    assert len(lines) == height
    shown = "\n".join(lines)
    for wanted in ("NOW snare_top clipped", "SNARE", "KICK", "−22.5 threshold", "CLIP 3"):
        assert wanted in shown, wanted
    assert lines[0].startswith(" ○ waiting")
    assert "no samples lost" in lines[-2]


def test_resize_keys_and_a_clean_end(tmux: Tmux, script: Path) -> None:
    start(tmux, script, 80, 24)
    tmux.until(lambda seen: "? help" in seen[-1], "the key line")
    tmux("resize-window", "-x", "130", "-y", "40")
    lines = tmux.until(lambda seen: len(seen) == 40 and "q quit" in seen[-1], "the larger picture")
    assert "── microphones" in "\n".join(lines)
    tmux("resize-window", "-x", "44", "-y", "12")
    tmux.until(
        lambda seen: len(seen) == 12 and "q quit" in seen[-1] and "KICK" in "\n".join(seen),
        "the smaller picture",
    )
    tmux("resize-window", "-x", "80", "-y", "24")
    tmux("send-keys", "?")
    tmux.until(lambda seen: "start a take" in "\n".join(seen), "the help page")
    tmux("send-keys", "l")
    tmux.until(lambda seen: "█████" in "\n".join(seen[2:8]), "the large page")
    tmux("send-keys", "q")
    lines = tmux.until(lambda seen: "gone after" in "\n".join(seen), "the end")
    shown = "\n".join(lines)
    assert "within the limit, by key" in shown
    assert "SNARE" not in shown  # the screen before is back


def test_no_color_reaches_a_real_terminal(tmux: Tmux, script: Path) -> None:
    start(tmux, script, 80, 24, NO_COLOR="1")
    tmux.until(lambda seen: "? help" in seen[-1], "the key line")
    shown = "\n".join(tmux.lines("-e"))
    assert "\x1b[7m" in shown or ";7m" in shown
    assert "\x1b[3" not in shown.replace("\x1b[39m", "")


def test_takes_are_chosen_and_help_is_moved(tmux: Tmux, script: Path) -> None:
    start(tmux, script, 80, 24)
    tmux.until(lambda seen: "p takes" in seen[-1], "the key line")
    tmux("send-keys", "p")
    tmux.until(lambda seen: any(line.startswith(">  take 3") for line in seen), "the list of takes")
    tmux("send-keys", "Up")
    lines = tmux.until(
        lambda seen: any(line.startswith(">* take 2") for line in seen), "the take before"
    )
    assert "Noted: fill too early" in "\n".join(lines)
    tmux("send-keys", "?")
    tmux.until(lambda seen: "up and down move" in "\n".join(seen), "help that does not fit")
    tmux("send-keys", "NPage", "NPage")
    tmux.until(lambda seen: "headphones down" in "\n".join(seen), "the last line of help")
    tmux("resize-window", "-x", "40", "-y", "12")
    tmux("send-keys", "b")
    lines = tmux.until(
        lambda seen: len(seen) == 12 and "The last take, take 2" in "\n".join(seen),
        "between takes in a small window",
    )
    assert all(len(line) <= 40 for line in lines)
    tmux("resize-window", "-x", "250", "-y", "70")
    tmux("send-keys", "b")
    lines = tmux.until(
        lambda seen: len(seen) == 70 and "── alerts" in "\n".join(seen), "a huge window"
    )
    assert "q quit" in lines[-1]


def test_a_screen_reader_gets_sentences(tmux: Tmux, script: Path) -> None:
    text = script.read_text(encoding="utf-8").replace("Dashboard()", "Dashboard(plain=True)")
    script.write_text(text, encoding="utf-8")
    start(tmux, script, 80, 24)
    tmux.until(lambda seen: "No samples lost." in "\n".join(seen), "the first sentences")
    tmux("send-keys", "p")
    lines = tmux.until(lambda seen: "take 2: snare spread" in "\n".join(seen), "the takes spoken")
    assert "█" not in "\n".join(lines)
    assert "│" not in "\n".join(lines)


def demo(tmux: Tmux, folder: Path, width: int, height: int, *more: str) -> None:
    """The real program in a window: the demo, kept in ``folder``."""
    words = [sys.executable, "-m", "liveassist", "demo", "--out", str(folder), *more]
    tmux(
        *("new-session", "-d", "-x", str(width), "-y", str(height), "-c", str(ROOT)),
        f"PYTHONPATH={shlex.quote(str(ROOT))} PYTHONWARNINGS=error LC_ALL=C.UTF-8 "
        + f"exec {shlex.join(words)}",
        *(";", "set", "-g", "status", "off", ";", "resize-window"),
        *("-x", str(width), "-y", str(height)),
    )


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 20)])
def test_a_take_is_named_noted_and_starred_by_keys(
    tmux: Tmux, tmp_path: Path, width: int, height: int
) -> None:
    demo(tmux, tmp_path / "s", width, height)
    tmux.until(lambda seen: "gannet_ro" in "\n".join(seen), "the first take", START_S)
    tmux("send-keys", "c")
    tmux.until(lambda seen: "Name" in seen[-1] and "_" in seen[-1], "the question")
    # Letters that are commands elsewhere are letters here; the last one is taken back.
    tmux("send-keys", "-l", "quiet jqx")
    tmux("send-keys", "BSpace")
    tmux.until(lambda seen: "quiet jq_" in seen[-1], "what was typed")
    tmux("send-keys", "Enter")
    tmux.until(lambda seen: "named quiet jq" in seen[-1], "the answer")
    tmux("send-keys", "w")
    tmux("send-keys", "-l", "fill too early")
    tmux("send-keys", "Enter")
    tmux.until(lambda seen: "noted of quiet jq" in seen[-1], "the note taken")
    tmux("send-keys", "s")
    tmux.until(lambda seen: "quiet jq starred" in seen[-1], "the star")
    tmux("send-keys", "c")
    tmux("send-keys", "-l", "never")
    tmux("send-keys", "Escape")
    tmux.until(lambda seen: "stays as it is" in seen[-1], "the name left as it was")
    tmux("send-keys", "p")
    lines = tmux.until(lambda seen: any("* quiet jq" in line for line in seen), "it in the list")
    assert "Noted: fill too early" in "\n".join(lines)
    assert all(len(line) <= width for line in lines)
    tmux("send-keys", "q", "q")
    end = time.monotonic() + START_S
    while time.monotonic() < end and tmux.running():
        time.sleep(0.2)
    said = (tmp_path / "s" / "notes.json").read_text(encoding="utf-8")
    assert '"quiet jq": "fill too early"' in said
    assert '"stars": [\n    "quiet jq"\n  ]' in said


def test_a_take_is_named_without_pictures(tmux: Tmux, tmp_path: Path) -> None:
    demo(tmux, tmp_path / "s", 80, 24, "--plain")
    tmux.until(lambda seen: "gannet_ro" in "\n".join(seen), "a take spoken", START_S)
    tmux("send-keys", "c")
    tmux.until(lambda seen: "Enter keeps it, Escape leaves it" in "\n".join(seen), "the question")
    tmux("send-keys", "-l", "second verse")
    tmux.until(lambda seen: "second verse" in "\n".join(seen), "the letters")
    tmux("send-keys", "Enter")
    tmux.until(lambda seen: "named second verse" in "\n".join(seen), "the answer spoken")
