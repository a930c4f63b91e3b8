"""The early report: which drum, when, how loud so far, within about 9 ms of the onset.

Fast and plain on purpose; the final verdict, some 80 ms later, confirms, corrects or withdraws
it. A step (an eighth of a window, 1.45 ms) that is louder than the loudest of the 19 ms before,
in the whole or in one of two bands, wakes the watch; three quarters of a window after the onset,
the learned drums are fitted to what all microphones heard. Needs signatures: until a drum is known
there are no early reports for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from liveassist.attribute.explain import fit
from liveassist.attribute.signature import Signature
from liveassist.history import History
from liveassist.model import DrumKind
from liveassist.spectra import Grid, Power

Audio = npt.NDArray[np.float32]

#: A new stroke must be this much louder than the loudest of so many steps before. On five recorded
#: sessions 1.3 wakes for 386 of 395 snare hits, 2 for 362; withdrawn are 10 and 6 of 810.
BACK = 13
LOUDER = 1.3
#: Where a snare or tom is listened for besides the whole: the body, which hats lack, and the wires,
#: which a kick's tail lacks (Hz): ghost notes under a hat or in a kick do not raise the whole.
BODY_HZ = (170.0, 1200.0)
WIRES_HZ = 3500.0
#: No second report on one drum within this many steps: the final one sets time and level right.
REST = 10
#: Wake-ups nearer than this many steps are one.
MERGE = 2
#: Most wake-ups that may wait on one drum; further ones are left to the final report.
MOST_WAITING = 6
#: Window starts looked at, sixteenths of a window: just before the onset, and across it. In
#: doubt a second look is taken a little later.
VIEWS = (
    np.array([-17, -4], dtype=np.int64),
    np.array([-17, 2], dtype=np.int64),
)
#: The drum's share of its microphone, and level against its usual hits (dB), for a report.
#: Lower finds more ghost notes early and withdraws more: see tests/bench for the trade.
LEAST_SHARE = 0.6
LEAST_LEVEL_DB = -27.0
#: From this share on a second look is worth it.
DOUBT_SHARE = 0.25
#: Rise of the microphone's bands, each counted by the drum's share, dB summed: a ring that beats
#: has the drum's sound but does not rise. On five recorded sessions early reports that were
#: confirmed have 127 dB and more on the kick, those withdrawn 55 and less; ghosts rise less.
LEAST_RISE_DB = 40.0
#: Kicks have no ghost notes worth an early report; what is this far down is mostly bleed.
LEAST_KICK_DB = -14.0
LEAST_KICK_RISE_DB = 85.0
UPDATES = 12


#: Numerator and denominator of a filter, and its state.
_Filter = tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Early:
    """A stroke as it looks after one window: ``peak`` is the largest sample so far."""

    drum: str
    mic: int
    sample: int
    peak: float
    share: float
    level_db: float
    rise_db: float


@dataclass(frozen=True, slots=True)
class _Wake:
    """Something rose in the microphone of ``drum`` at ``sample``; ``view`` is looked at next."""

    drum: str
    sample: int
    loud: float
    view: int = 0


class EarlyWatch:
    """Watches the own microphones of ``own`` (drum to column)."""

    def __init__(
        self, grid: Grid, own: Mapping[str, int], kinds: Mapping[str, DrumKind], mics: int
    ) -> None:
        self._grid = grid
        self._least = {
            drum: (LEAST_KICK_DB, LEAST_KICK_RISE_DB)
            if kinds[drum] == "kick"
            else (LEAST_LEVEL_DB, LEAST_RISE_DB)
            for drum in own
        }
        self._own = dict(own)
        self._step = grid.window // 8
        self._audio = History(mics, 6 * grid.window)
        self._tracks = _Tracks(own, kinds, grid.sample_rate_hz)
        #: Samples that may wait: nothing in them, or in the step begun before them, can be
        #: reported yet.
        self._patience = self.look_ahead - 2 * self._step
        self._known = _Known()
        self.reset(0)

    @property
    def look_ahead(self) -> int:
        """Samples after an onset until its early report, if the first look is enough."""
        return int(VIEWS[0][-1]) * self._grid.fine + self._grid.window + self._step

    def reset(self, sample: int) -> None:
        """The stream goes on at ``sample`` after a gap."""
        self._audio.reset(sample)
        self._pending: list[Audio] = []
        self._heard = sample
        self._next = -(-sample // self._step) * self._step
        self._tracks.reset(self._next - sample)
        self._peaks = np.ones((BACK, len(self._tracks.drums)))
        self._waiting: list[_Wake] = []
        self._reported: dict[str, _Wake] = {}

    def feed(
        self, first_sample: int, audio: Audio, signatures: Mapping[str, Signature], noise: Power
    ) -> list[Early]:
        """Early reports that became possible with ``audio`` (frames, mics)."""
        if first_sample != self._heard:
            self.reset(first_sample)
        self._heard += len(audio)
        if not self._waiting and self._heard - self._audio.end < self._patience:
            # Small blocks are taken in together: most of a call is asking, above all where the
            # processor slept between blocks.
            self._pending.append(audio.copy())
            return []
        if self._pending:
            audio = np.concatenate([*self._pending, audio])
            self._pending.clear()
        found: list[Early] = []
        # No piece may outgrow the little history that is kept.
        most = 3 * self._grid.window
        for start in range(0, len(audio), most):
            piece = audio[start : start + most]
            self._audio.push(piece)
            self._tracks.push(piece)
            found.extend(self._steps(signatures, noise))
        return found

    def _steps(self, signatures: Mapping[str, Signature], noise: Power) -> list[Early]:
        steps = self._tracks.take(self._step)
        count = len(steps)
        if not count:
            return []
        whole = np.concatenate([self._peaks, steps.max(axis=1)])
        self._peaks = whole[count:]
        before = _running_max(whole[:-1], BACK)
        rose = whole[BACK:] > LOUDER * before + 1e-5
        if not self._waiting and not rose.any():
            self._next += count * self._step
            return []
        found: list[Early] = []
        for number, step in enumerate(steps):
            for track in np.nonzero(rose[number])[0].tolist():
                drum = self._tracks.drums[track]
                if drum in signatures:
                    onset = int(np.argmax(step[:, track] > LOUDER * before[number, track]))
                    self._wake(_Wake(drum, self._next + onset, float(whole[number + BACK, track])))
            self._next += self._step
            if self._waiting:
                found.extend(self._ripe(signatures, noise))
        return found

    def _wake(self, wake: _Wake) -> None:
        mine = [other for other in self._waiting if other.drum == wake.drum]
        if len(mine) >= MOST_WAITING or any(
            abs(wake.sample - other.sample) < MERGE * self._step for other in mine
        ):
            return
        if not self._rests(wake):
            self._waiting.append(wake)

    def _ripe(self, signatures: Mapping[str, Signature], noise: Power) -> list[Early]:
        found: list[Early] = []
        grid = self._grid
        waiting, self._waiting = self._waiting, []
        for wake in waiting:
            if wake.sample + int(VIEWS[wake.view][-1]) * grid.fine + grid.window > self._next:
                self._waiting.append(wake)
                continue
            if self._rests(wake):
                continue
            early = self._look(wake, signatures, noise)
            if early is None:
                continue
            least_db, least_rise_db = self._least[wake.drum]
            if (
                early.share >= LEAST_SHARE
                and early.level_db >= least_db
                and early.rise_db >= least_rise_db
            ):
                found.append(early)
                self._reported[wake.drum] = wake
            elif early.share >= DOUBT_SHARE and wake.view + 1 < len(VIEWS):
                self._waiting.append(replace(wake, view=wake.view + 1))
        return found

    def _rests(self, wake: _Wake) -> bool:
        """Whether this stroke was reported already."""
        last = self._reported.get(wake.drum)
        return last is not None and abs(wake.sample - last.sample) < REST * self._step

    def _look(self, wake: _Wake, signatures: Mapping[str, Signature], noise: Power) -> Early | None:
        grid, drum, sample = self._grid, wake.drum, wake.sample
        mic = self._own[drum]
        if drum not in signatures:
            return None
        starts = VIEWS[wake.view] * grid.fine
        first = sample + int(starts[0])
        audio = self._audio.view(first, sample + int(starts[-1]) + grid.window)
        heard = grid.at(audio, starts - int(starts[0]))
        floor = np.maximum(noise, 1e-4 * heard.max(axis=(0, 2))[:, None]) + np.float32(1e-10)
        names, matrix = self._known.matrix(heard, signatures, wake.view, starts, grid.fine)
        spread = np.broadcast_to(floor, heard.shape).reshape(-1)
        weights = np.full(heard.shape, 0.4, dtype=np.float32)
        weights[:, mic] = 1.0
        gains, model = fit(
            (heard + floor).reshape(-1), matrix, spread, weights.reshape(-1), UPDATES
        )
        mine = names == drum
        part = (gains[mine] @ matrix[mine]).reshape(heard.shape)[1, mic]
        total = model.reshape(heard.shape)[1, mic]
        before, after = heard[:, mic] + floor[mic]
        rise = np.minimum(np.maximum(10.0 * np.log10(after / before), 0.0), 20.0)
        share = float(part.sum() / total.sum())
        level = 10.0 * float(np.log10(part.sum() / signatures[drum].usual_power + 1e-9))
        until = sample + int(starts[-1]) + grid.window
        peak = float(np.abs(self._audio.view(sample, until)[:, mic]).max())
        return Early(drum, mic, sample, peak, share, level, float((rise * (part / total)).sum()))


class _Known:
    """What the known drums look like in each view, kept while they stay the same."""

    def __init__(self) -> None:
        self._exemplars: list[Power] = []
        self._names: npt.NDArray[np.str_] = np.array([""])
        self._views: dict[int, Power] = {}

    def matrix(
        self,
        heard: Power,
        signatures: Mapping[str, Signature],
        view: int,
        starts: npt.NDArray[np.int64],
        fine: int,
    ) -> tuple[npt.NDArray[np.str_], Power]:
        """Drum of every row (none for the first: what was sounding before, `heard` in the first
        window), and the rows, (rows, windows * mics * BANDS); the next call may reuse them."""
        now = [signature.exemplars for signature in signatures.values()]
        if len(now) != len(self._exemplars) or any(
            one is not other for one, other in zip(now, self._exemplars, strict=True)
        ):
            self._exemplars, self._views = now, {}
            counts = [len(exemplars) for exemplars in now]
            self._names = np.array(["", *np.repeat(list(signatures), counts).tolist()])
        rows = self._views.get(view)
        if rows is None:
            seen = [signature.seen_at(0, starts, fine) for signature in signatures.values()]
            rows = np.concatenate([heard[None], *seen]).astype(np.float32, copy=False)
            self._views[view] = rows
        rows[0] = heard[0]
        return self._names, rows.reshape(len(rows), -1)


def _running_max(rows: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """The largest of every ``width`` rows in a row: (n, k) in, (n - width + 1, k) out."""
    done = 1
    while done < width:
        step = min(done, width - done)
        rows = np.maximum(rows[:-step], rows[step:])
        done += step
    return rows


class _Tracks:
    """What is watched: the whole of every own microphone, and for drums with a body and wires
    those bands of it; streaming, the same at any block size."""

    def __init__(self, own: Mapping[str, int], kinds: Mapping[str, DrumKind], rate_hz: int) -> None:
        self._columns = list(own.values())
        parted = [(drum, mic) for drum, mic in own.items() if kinds[drum] != "kick"]
        self._parted = [mic for _, mic in parted]
        self.drums = [*own, *(drum for _ in range(2) for drum, _ in parted)]
        self._rate = rate_hz
        self._filters: list[_Filter] = []

    def reset(self, skip: int) -> None:
        """Begin anew; the first ``skip`` samples belong to no step."""
        self._skip = skip
        self._left = np.zeros((0, len(self.drums)))
        self._filters = []

    def _design(self) -> list[_Filter]:
        """Filters at rest. Made when the first samples come: a replay never asks for them."""
        from scipy import signal  # takes a while, so not before it is needed

        # Not in sections: of this order in double precision that is the same to 1e-9, and a call
        # for a block of some milliseconds takes a quarter of the time.
        self._lfilter = signal.lfilter
        made = (
            signal.butter(2, BODY_HZ, "bandpass", fs=self._rate),
            signal.butter(2, WIRES_HZ, "highpass", fs=self._rate),
        )
        return [(b, a, np.zeros((len(a) - 1, len(self._parted)))) for b, a in made]

    def push(self, audio: Audio) -> None:
        """Take in (frames, mics)."""
        if self._parted and not self._filters:
            self._filters = self._design()
        whole, parted = len(self._columns), len(self._parted)
        new = np.empty((len(audio), len(self.drums)))
        new[:, :whole] = audio[:, self._columns]
        raw = audio[:, self._parted].astype(np.float64)
        for number, (b, a, state) in enumerate(self._filters):
            out, state = self._lfilter(b, a, raw, axis=0, zi=state)
            self._filters[number] = (b, a, state)
            new[:, whole + number * parted : whole + (number + 1) * parted] = out
        np.abs(new, out=new)
        if self._skip:
            dropped = min(self._skip, len(new))
            self._skip -= dropped
            new = new[dropped:]
        self._left = np.concatenate([self._left, new])

    def take(self, step: int) -> npt.NDArray[np.float64]:
        """Whole steps that have not been taken, sizes: (steps, step, tracks)."""
        count = len(self._left) // step
        taken, self._left = self._left[: count * step], self._left[count * step :]
        return taken.reshape(count, step, len(self.drums))
