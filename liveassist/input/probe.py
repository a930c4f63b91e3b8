"""Asks the system for its inputs without waiting for the answer.

A second child asks while the first goes on capturing. Whether it gets an answer tells a stalled
audio server (no answer) from a stalled stream (answer), and the answer tells whether a source that
fell silent is still there: the death of a source is not reported by the audio library, it only
turns into silence, and stays silence when the source comes back (`liveassist.input.jacksource`).
"""

from __future__ import annotations

from collections.abc import Sequence

from liveassist.input.childproc import CaptureProcess
from liveassist.input.devicelist import InputDevice

#: Digital silence on all channels for so long, seconds, is a reason to look whether the source is
#: still there: converters hiss, only a source that is gone or muted gives nothing but zeros. With
#: the look itself it is found out within a second.
SILENCE_S = 0.4
#: The next looks come so much later, seconds, sound between them or not: soon at first, then no
#: oftener than the last. Each starts a process.
SILENCE_LOOKS_S = (1.5, 1.5, 1.5, 1.5, 4.0)


class DeviceProbe:
    """One question. `inputs` is None until it is answered; `failed` once it never will be.

    ``ports``: of our stream, where it has such; `cut` then is whether nothing is connected with
    them any more.
    """

    def __init__(self, ports: Sequence[str] = ()) -> None:
        self._child = CaptureProcess({"do": "list", "ports": list(ports)})
        self.inputs: list[InputDevice] | None = None
        self.cut = False
        self.failed = False

    @property
    def answered(self) -> bool:
        """Whether waiting any longer tells nothing new."""
        return self.inputs is not None or self.failed

    def poll(self) -> bool:
        """Take in what has come; whether the answer is there. Never waits."""
        if not self.answered:
            self._child.wait(0.0)
            self._take()
        return self.answered

    def _take(self) -> None:
        if self._child.messages:
            message = self._child.messages.popleft()
            if message["what"] == "devices":
                self.inputs = [InputDevice(**row) for row in message["devices"]]
                self.cut = message["connected"] is False
            else:
                self.failed = True
        elif self._child.ended:
            self.failed = True
        if self.answered:
            self._child.let_go()

    def close(self) -> None:
        """Give up the question. May be called twice; never waits."""
        if not self.answered:
            self.failed = True
            self._child.let_go()


class SilenceWatch:
    """Looks, after a while of digital silence, whether the source of the audio still exists."""

    def __init__(self) -> None:
        self._silent_s = 0.0
        self._looks = 0
        self._due_s = 0.0
        self._probe: DeviceProbe | None = None
        #: The stream's own ports, where it has such.
        self.ports: Sequence[str] = ()

    def heard(self, silent: bool, seconds: float) -> None:
        """A block of that length came; ``silent``: nothing but zeros on all channels."""
        if silent:
            self._silent_s += seconds
        else:
            self._silent_s = 0.0
            self._looks = 0

    def source_is_gone(self, title: str, now_s: float) -> bool:
        """Whether the input called ``title`` is found to exist no more, or to be connected with us
        no more. Never waits."""
        if self._probe is not None:
            if not self._probe.poll():
                return False
            inputs, cut = self._probe.inputs, self._probe.cut
            self.close()
            gone = inputs is not None and all(one.title != title for one in inputs)
            return (gone or cut) and self._silent_s > 0.0
        if self._silent_s > SILENCE_S and now_s >= self._due_s:
            self._due_s = now_s + SILENCE_LOOKS_S[min(self._looks, len(SILENCE_LOOKS_S) - 1)]
            self._looks += 1
            self._probe = DeviceProbe(self.ports)
        return False

    def close(self) -> None:
        """Give up a look under way. May be called twice."""
        if self._probe is not None:
            self._probe.close()
            self._probe = None
