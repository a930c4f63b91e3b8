"""Learning a surface from a real MIDI port: see `learn` and `learn_lights`."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable

from liveassist.errors import OutputError

from .learn import Learner, Lesson
from .learn_lights import LightLearner
from .learn_toml import to_toml
from .midi import MidiPorts
from .surface_model import MidiPort

#: How long to wait for the port to be found, seconds.
FIND_S = 5.0
#: Messages kept while a control is moved; the rest says nothing new.
MAX_MESSAGES = 4096


class _Ear:
    """Collects the messages of one port."""

    def __init__(self) -> None:
        self._heard: queue.Queue[bytes] = queue.Queue(MAX_MESSAGES)

    def heard(self, _port: MidiPort, message: bytes, _heard_s: float) -> None:
        """A message came in (the port process's reading thread)."""
        if not self._heard.full():
            self._heard.put_nowait(message)

    def listen(self, seconds: float, pause: float) -> list[bytes]:
        """Messages until nothing came for ``pause`` after the first, at most ``seconds``."""
        while not self._heard.empty():
            self._heard.get_nowait()
        end = time.monotonic() + seconds
        found: list[bytes] = []
        while (left := end - time.monotonic()) > 0:
            try:
                found.append(self._heard.get(timeout=min(left, pause) if found else left))
            except queue.Empty:
                break
        return found


def learn_surface(
    pattern: str, name: str, ask: Callable[[str], str], tell: Callable[[str], None]
) -> str:
    """Ask for every control and light of the MIDI port that matches ``pattern``; the profile as
    TOML. Nothing is sent but the values of lights that the user asks to see.

    Raises OutputError if there is no such port.
    """
    ear = _Ear()
    into = MidiPort(name, pattern, output=False, input=True)
    back = MidiPort(f"{name} lights", pattern)
    ports = MidiPorts([into, back], ear.heard)
    try:
        end = time.monotonic() + FIND_S
        while ports.health[0].state != "ok":
            if time.monotonic() > end:
                raise OutputError(f"{ports.health[0].note}; `liveassist devices` lists the ports")
            time.sleep(0.05)
        learner = Learner(ear.listen, ask, tell)
        controls = learner.run()
        if ports.health[1].state != "ok":
            tell(f"lights cannot be taught: {ports.health[1].note}")
            return to_toml(name, pattern, Lesson(tuple(controls), pages=learner.pages))

        def send(message: bytes) -> None:
            if not ports.send(1, [message]):
                tell(f"not sent: {ports.health[1].note}")

        teacher = LightLearner(ear.listen, send, ask, tell, learner.pages)
        lights = teacher.run()
        meanings = teacher.meanings if lights else {}
        blink = teacher.blink if lights else ()
        lesson = Lesson(tuple(controls), tuple(lights), meanings, blink, learner.pages)
        return to_toml(name, pattern, lesson)
    finally:
        ports.close()
