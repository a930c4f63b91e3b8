"""The early report: which drum, when, how loud so far, within about 9 ms of the onset.

Fast and plain on purpose; the final verdict, some 80 ms later, confirms, corrects or withdraws
it. A step (an eighth of a window, 1.45 ms) that is twice as loud as the loudest of the 19 ms
before wakes the watch; one window after the onset, the learned drums are fitted to what all
microphones heard. Needs signatures: until a drum is known there are no early reports for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.attribute.explain import fit
from liveassist.attribute.signature import Signature
from liveassist.history import History
from liveassist.model import DrumKind
from liveassist.spectra import Grid, Power

Audio = npt.NDArray[np.float32]

#: Loudest of this many steps before is what a new stroke must double.
BACK = 13
LOUDER = 2.0
#: No second wake-up on one drum within this many steps, unless three times as loud.
REST = 10
MUCH_LOUDER = 3.0
#: Window starts looked at, sixteenths of a window: just before the onset, and across it.
VIEWS = np.array([-17, -4], dtype=np.int64)
#: The drum's share of its microphone, and level against its usual hits (dB), for a report.
#: Lower finds more ghost notes early and withdraws more: see tests/bench for the trade.
LEAST_SHARE = 0.6
LEAST_LEVEL_DB = -24.0
#: Kicks have no ghost notes worth an early report; what is this far down is mostly bleed.
LEAST_KICK_DB = -14.0
UPDATES = 12


@dataclass(frozen=True, slots=True)
class Early:
    """A stroke as it looks after one window: ``peak`` is the largest sample so far."""

    drum: str
    mic: int
    sample: int
    peak: float
    share: float


@dataclass(slots=True)
class _Wake:
    step: int
    sample: int
    loud: float
    open: bool


class EarlyWatch:
    """Watches the own microphones of ``own`` (drum to column)."""

    def __init__(
        self, grid: Grid, own: Mapping[str, int], kinds: Mapping[str, DrumKind], mics: int
    ) -> None:
        self._grid = grid
        self._least_db = {
            drum: LEAST_KICK_DB if kinds[drum] == "kick" else LEAST_LEVEL_DB for drum in own
        }
        self._own = dict(own)
        self._columns = list(own.values())
        self._step = grid.window // 8
        self._audio = History(mics, 6 * grid.window)
        self._peaks = np.zeros((BACK, len(self._columns)), dtype=np.float32)
        self._wakes: dict[str, _Wake] = {}
        self._next = 0

    @property
    def look_ahead(self) -> int:
        """Samples after an onset until its early report."""
        return 12 * self._grid.fine + self._step

    def reset(self, sample: int) -> None:
        """The stream goes on at ``sample`` after a gap."""
        self._audio.reset(sample)
        self._next = -(-sample // self._step) * self._step
        self._peaks[:] = 1.0
        self._wakes.clear()

    def feed(
        self, first_sample: int, audio: Audio, signatures: Mapping[str, Signature], noise: Power
    ) -> list[Early]:
        """Early reports that became possible with ``audio`` (frames, mics)."""
        if first_sample != self._audio.end:
            self.reset(first_sample)
        found: list[Early] = []
        # No piece may outgrow the little history that is kept.
        most = 3 * self._grid.window
        for start in range(0, len(audio), most):
            self._audio.push(audio[start : start + most])
            found.extend(self._steps(signatures, noise))
        return found

    def _steps(self, signatures: Mapping[str, Signature], noise: Power) -> list[Early]:
        count = (self._audio.end - self._next) // self._step
        if count <= 0:
            return []
        piece = self._audio.view(self._next, self._next + count * self._step)
        loud = np.abs(piece[:, self._columns]).reshape(count, self._step, -1).max(axis=1)
        whole = np.concatenate([self._peaks, loud])
        found: list[Early] = []
        for number in range(count):
            before = whole[number : number + BACK].max(axis=0)
            now = whole[number + BACK]
            sample = self._next + number * self._step
            for index, (drum, mic) in enumerate(self._own.items()):
                if drum in signatures and now[index] > LOUDER * before[index] + 1e-5:
                    self._wake(drum, mic, sample, float(now[index]), float(before[index]))
            found.extend(self._ripe(sample + self._step, signatures, noise))
        self._peaks = whole[-BACK:]
        self._next += count * self._step
        return found

    def _wake(self, drum: str, mic: int, sample: int, loud: float, before: float) -> None:
        wake = self._wakes.get(drum)
        step = sample // self._step
        if wake is not None and step - wake.step < REST and loud < MUCH_LOUDER * wake.loud:
            return
        piece = np.abs(self._audio.view(sample, sample + self._step)[:, mic])
        onset = sample + int(np.argmax(piece > LOUDER * before))
        self._wakes[drum] = _Wake(step, onset, loud, open=True)

    def _ripe(self, heard: int, signatures: Mapping[str, Signature], noise: Power) -> list[Early]:
        found = []
        for drum, wake in self._wakes.items():
            if wake.open and wake.sample + 12 * self._grid.fine <= heard:
                wake.open = False
                early = self._look(drum, wake.sample, signatures, noise)
                if early is not None:
                    found.append(early)
        return found

    def _look(
        self, drum: str, sample: int, signatures: Mapping[str, Signature], noise: Power
    ) -> Early | None:
        grid, mic = self._grid, self._own[drum]
        starts = VIEWS * grid.fine
        first = sample + int(starts[0])
        audio = self._audio.view(first, sample + int(starts[-1]) + grid.window)
        heard = grid.at(audio, starts - int(starts[0]))
        floor = np.maximum(noise, 1e-4 * heard.max(axis=(0, 2))[:, None]) + np.float32(1e-10)
        rows = [np.stack([heard[0], heard[0]])]
        names = [""]
        for name, signature in signatures.items():
            for seen in signature.seen_at(0, starts, grid.fine):
                rows.append(seen)
                names.append(name)
        matrix = np.stack(rows).reshape(len(rows), -1).astype(np.float32, copy=False)
        spread = np.broadcast_to(floor, heard.shape).reshape(-1)
        weights = np.full(heard.shape, 0.4, dtype=np.float32)
        weights[:, mic] = 1.0
        gains, model = fit(
            (heard + floor).reshape(-1), matrix, spread, weights.reshape(-1), UPDATES
        )
        mine = np.array([name == drum for name in names])
        part = (gains[mine] @ matrix[mine]).reshape(heard.shape)[1, mic]
        total = model.reshape(heard.shape)[1, mic]
        share = float(part.sum() / total.sum())
        level = 10.0 * float(np.log10(part.sum() / signatures[drum].usual_power + 1e-9))
        if share < LEAST_SHARE or level < self._least_db[drum]:
            return None
        peak = float(np.abs(self._audio.view(sample, sample + 12 * grid.fine)[:, mic]).max())
        return Early(drum, mic, sample, peak, share)
