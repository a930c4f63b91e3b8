"""Live audio: which inputs there are, and one of them as a source of blocks.

The audio library lives in a child process that may be killed at any moment (`capture_child`);
this side, in no thread of its own, reads the ring, counts losses and starts the child anew.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from liveassist.errors import DeviceError
from liveassist.input.asking import START_TIMEOUT_S as START_TIMEOUT_S
from liveassist.input.asking import find_input as find_input
from liveassist.input.asking import list_inputs as list_inputs
from liveassist.input.blockring import BlockRing
from liveassist.input.childproc import CaptureProcess
from liveassist.input.devicelist import InputDevice
from liveassist.input.lossclock import Release
from liveassist.input.probe import DeviceProbe, SilenceWatch
from liveassist.input.sessionrate import SessionRate
from liveassist.model import Block, Kit

SourceState = Literal["closed", "starting", "running", "recovering"]

#: How long a later opening may take, seconds. Patient on purpose: an opening that hangs in a
#: stalled audio server goes through when the server is back, while every killed one leaves it
#: a dead client to clean up first.
RESTART_TIMEOUT_S = 6.0
#: Pause between attempts to open a device that is away, seconds.
RETRY_S = 0.5
#: No callback for so long, and for so many blocks, is a stall: it is shown.
STALL_S = 0.4
STALL_BLOCKS = 8
#: How long the first block may take after the device said that it runs, seconds.
FIRST_BLOCK_S = 2.0
#: A stalled child is kept as long as the audio system as a whole does not answer, at most so
#: long, seconds: a server that was only busy goes on with it at once, while a new child would
#: have to wait as well. Once the system answers, the child has so long to go on.
STALL_PATIENCE_S = 20.0
STALL_GRACE_S = 0.3
#: How often a question under way is looked at, seconds.
PROBE_POLL_S = 0.05
#: Audio the ring holds, seconds at 48 kHz, and the memory it may take at most, bytes. Analysis
#: may pause for three quarters of it before audio is lost.
RING_S = 8.0
RING_BYTES = 64 << 20
#: Longest block `DeviceSource.read` returns, frames; what waits beyond comes with the next call.
LONGEST_BLOCK = 4096


@dataclass(frozen=True, slots=True)
class _Ready:
    """Frames of the ring that may be read, and how many samples are missing before them."""

    first_frame: int
    end_frame: int
    lost_samples: int


class DeviceSource:
    """One audio input as blocks of the kit's microphones. Not for use from several threads.

    ``device``: number, name or part of a name; None for the system's default input.
    ``sample_rate_hz`` None: what the device runs at. ``block_frames`` None: what it likes.
    ``clock``: a monotonic clock in seconds, for supervision only; audio carries its own times.
    """

    def __init__(
        self,
        kit: Kit,
        device: str | int | None = None,
        sample_rate_hz: int | None = None,
        block_frames: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._kit = kit
        self._wanted: str | int | None = device
        self._rate_wanted = sample_rate_hz
        self._block_frames = block_frames
        self._clock = clock
        self._columns = [mic.channel - 1 for mic in kit.mics]
        self._channels = max(mic.channel for mic in kit.inputs)
        self._child: CaptureProcess | None = None
        self._ring: BlockRing | None = None
        self._rates: SessionRate | None = None
        self._ready: deque[_Ready] = deque()
        self._released = 0  # frames of the ring given free by the loss clock
        self._position = 0  # index of the next sample delivered
        self._overrun = 0  # samples lost since the last block because reading was too slow
        self._taken_frame = 0  # frame of the ring up to which blocks were handed out
        self._deadline_s = 0.0
        self._retry_s: float | None = None
        self._told_error: str | None = None
        self._child_runs = False
        self._probe: DeviceProbe | None = None
        self._stall_ends_s: float | None = None
        self._silence = SilenceWatch()
        self.state: SourceState = "closed"
        self.note = ""
        self.device: InputDevice | None = None
        self.sample_rate_hz = 0
        self.started_at_s: float | None = None
        self.lost_samples = 0
        #: How many of them arrived, but were not read before the ring was full.
        self.overrun_samples = 0
        self.restarts = 0
        self.overflow_flags = 0

    @property
    def child_pid(self) -> int | None:
        """Process number of the capture child, None while there is none."""
        return None if self._child is None else self._child.pid

    def start(self) -> None:
        """Open the device and wait until it runs.

        Raises `DeviceError`: no such device, fewer channels than the profile names, a rate it
        cannot run at, held by another programme, no PortAudio, no answer.
        """
        if self.state != "closed":
            raise RuntimeError("the device source is already started")
        # Sized before the rate is known: half as long at 96 kHz is still enough.
        frames = min(round(RING_S * 48_000), RING_BYTES // (4 * self._channels))
        self._ring = BlockRing.create(self._channels, frames)
        self._taken_frame = 0
        try:
            self._spawn(START_TIMEOUT_S)
            while self.device is None:
                self._supervise(self._deadline_s - self._clock())
                if self._child is None:
                    raise DeviceError(self.note)
        except BaseException:
            self.close()
            raise

    def _spawn(self, timeout_s: float) -> None:
        assert self._ring is not None
        self._told_error = None
        self._child_runs = False
        self._child = CaptureProcess(
            {
                "do": "capture",
                "device": self._wanted,
                "channels": self._channels,
                "because": self._because(),
                "sample_rate_hz": self.sample_rate_hz or self._rate_wanted,
                # Once a session is under way another rate is better than no audio.
                "or_another_rate": self.device is not None,
                "block_frames": self._block_frames,
                "ring": self._ring.handle,
                "ring_frames": self._ring.capacity_frames,
            },
            self._ring.fd,
        )
        self._deadline_s = self._clock() + timeout_s
        self._retry_s = None
        if self.device is None:
            self.state = "starting"

    def _because(self) -> str:
        mic = max(self._kit.inputs, key=lambda mic: mic.channel)
        return f'microphone "{mic.name}" of kit "{self._kit.name}"'

    # --- reading -----------------------------------------------------------------------

    def read(self, timeout_s: float) -> Block | None:
        """The next block, shape (frames, microphones), or None if ``timeout_s`` passed first.

        None is also what comes while the device is away; `state` and `note` say so. The first
        block after a loss carries its size in ``lost_samples``.
        """
        if self.state == "closed":
            raise RuntimeError("the device source is not started")
        deadline_s = self._clock() + timeout_s
        block = self._next_block()
        while block is None:
            left_s = deadline_s - self._clock()
            self._supervise(max(0.0, left_s))
            block = self._next_block()
            if left_s <= 0.0:
                break
        return block

    def _next_block(self) -> Block | None:
        assert self._ring is not None
        while self._ready:
            item = self._ready[0]
            oldest = self._ring.oldest_safe_frame()
            if item.first_frame < oldest:
                self._skip_to(oldest)
                continue
            frames = min(item.end_frame - item.first_frame, LONGEST_BLOCK)
            audio = np.empty((frames, self._channels), dtype=np.float32)
            if not self._ring.read_into(audio.data.cast("B"), item.first_frame, frames):
                continue
            self._drop_front(frames)
            block = self._block(audio, item)
            if block is not None:
                return block
        return None

    @property
    def behind_samples(self) -> int:
        """Samples that were captured and wait to be read."""
        return 0 if self._ring is None else max(0, self._ring.frames_written - self._taken_frame)

    def time_of(self, moment_s: float) -> float | None:
        """Seconds of audio captured at ``moment_s`` (monotonic); None before the first block."""
        return None if self._rates is None else self._rates.time_of(moment_s)

    @property
    def rate_note(self) -> str | None:
        """What to say where the device has come back at another rate and is converted."""
        return None if self._rates is None else self._rates.note

    def _skip_to(self, oldest: int) -> None:
        """Give up what the writer may have overwritten; every frame of it counts as lost."""
        while self._ready and self._ready[0].first_frame < oldest:
            item = self._ready[0]
            frames = min(item.end_frame, oldest) - item.first_frame
            lost = frames if self._rates is None else self._rates.samples(frames)
            self.overrun_samples += lost
            self._overrun += lost + item.lost_samples
            self._drop_front(frames)

    def _drop_front(self, frames: int) -> None:
        item = self._ready.popleft()
        first = self._taken_frame = item.first_frame + frames
        if first < item.end_frame:
            self._ready.appendleft(_Ready(first, item.end_frame, 0))

    def _block(self, audio: np.ndarray[Any, Any], item: _Ready) -> Block | None:
        """The audio as a block; None where a converter keeps it back until more has come."""
        assert self._rates is not None
        lost = item.lost_samples + self._overrun
        audio, lost = self._rates.convert(audio, item.first_frame, lost)
        self._overrun = 0 if len(audio) else lost
        if not len(audio):
            return None
        self.lost_samples += lost
        self._position += lost
        first = self._position
        self._position += len(audio)
        self._silence.heard(not audio.any(), len(audio) / self.sample_rate_hz)
        click = audio[:, self._kit.click.channel - 1] if self._kit.click else None
        return Block(first, np.ascontiguousarray(audio[:, self._columns]), lost, click)

    # --- supervision -------------------------------------------------------------------

    def _supervise(self, timeout_s: float) -> None:
        """Hear the child, or act on its silence or end; waits at most ``timeout_s``."""
        now_s = self._clock()
        child = self._child
        if child is None:
            assert self._retry_s is not None
            if now_s < self._retry_s:
                self._pause(min(timeout_s, self._retry_s - now_s))
                return
            self._spawn(RESTART_TIMEOUT_S)
            return
        child.wait(min(timeout_s, max(0.0, self._deadline_s - now_s)))
        self._take_messages(child)
        self._take_records(child)
        if child.ended:
            self._lose(self._told_error or "The audio input stopped by itself.")
        elif self._clock() >= self._deadline_s:
            self._stalled()
        elif self.state == "running" and self._silence.source_is_gone(
            str(self._wanted), self._clock()
        ):
            self._lose("The source of the audio is gone; waiting for it to come back.")

    def _stalled(self) -> None:
        """No callback for too long: show it, and find out whether the child is worth keeping."""
        why = "The audio input gives no sound; its server or driver does not answer."
        now_s = self._clock()
        if not self._child_runs or now_s >= (self._stall_ends_s or now_s + 1.0):
            self._lose(why)
            return
        self._deadline_s = now_s + PROBE_POLL_S
        if self._stall_ends_s is None:
            self.state = "recovering"
            self.note = why
            self._stall_ends_s = now_s + STALL_PATIENCE_S
            self._end_probe()
            self._probe = DeviceProbe()
        elif self._probe is not None and self._probe.poll():
            self._stall_ends_s = now_s + STALL_GRACE_S
            self._end_probe()

    def _end_probe(self) -> None:
        if self._probe is not None:
            self._probe.close()
            self._probe = None

    def _pause(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))

    def _take_messages(self, child: CaptureProcess) -> None:
        while child.messages:
            message = child.messages.popleft()
            if message["what"] == "error":
                self._told_error = message["sentence"]
            elif message["what"] == "running":
                self._opened(message)
            elif message["what"] == "ports":
                self._silence.ports = message["ports"]

    def _opened(self, message: dict[str, Any]) -> None:
        device = InputDevice(**message["device"])
        rate_hz = int(message["sample_rate_hz"])
        if self._rates is None:
            self.sample_rate_hz = rate_hz
            self._rates = SessionRate(rate_hz)
        else:
            self.restarts += 1
            self._release(self._rates.restart(rate_hz))
        self.device = device
        self._child_runs = True
        # Numbers shift when devices come and go; after a fault the same name is looked for.
        self._wanted = device.title
        self._deadline_s = self._clock() + FIRST_BLOCK_S

    def _take_records(self, child: CaptureProcess) -> None:
        if self._rates is None or not self._child_runs or not child.records:
            return
        last_frames = 0
        while child.records:
            end_frame, time_ns, flag = child.records.popleft()
            self.overflow_flags += flag
            if self.started_at_s is None:
                # The wall clock at the first sample of the first block.
                age_s = time.monotonic() - time_ns * 1e-9
                self.started_at_s = time.time() - age_s - end_frame / self.sample_rate_hz
            last_frames = end_frame - self._released
            self._release(self._rates.arrive(end_frame, time_ns * 1e-9))
        self.state = "running"
        self.note = ""
        if self._stall_ends_s is not None:
            self._stall_ends_s = None
            self._end_probe()
        stall_s = max(STALL_S, STALL_BLOCKS * last_frames / self.sample_rate_hz)
        self._deadline_s = self._clock() + stall_s

    def _release(self, releases: list[Release]) -> None:
        for release in releases:
            first, lost = self._released, release.lost_samples
            if release.end_frame <= first:
                continue
            follows = self._ready and self._ready[-1].end_frame == first
            if follows and not lost and not (self._rates and self._rates.begins(first)):
                before = self._ready.pop()
                first, lost = before.first_frame, before.lost_samples
            self._ready.append(_Ready(first, release.end_frame, lost))
            self._released = release.end_frame

    def _lose(self, why: str) -> None:
        """The child is of no more use: end it, and plan the next attempt."""
        assert self._child is not None
        self._child.kill()
        self._child = None
        self._end_probe()
        self._silence.close()
        self._silence = SilenceWatch()
        self._stall_ends_s = None
        self.state = "recovering"
        self.note = why
        # The first attempt comes at once, the others leave the system room to come back.
        self._retry_s = self._clock() + (0.0 if self._child_runs else RETRY_S)

    def close(self) -> None:
        """Let go of the device. May be called twice, and at any moment."""
        self._end_probe()
        self._silence.close()
        if self._child is not None:
            self._child.kill()
            self._child = None
        if self._ring is not None:
            self._ring.close()
            self._ring = None
        self.state = "closed"
