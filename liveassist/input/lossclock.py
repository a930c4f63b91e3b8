"""How many samples were lost, judged from when the blocks that did come arrived.

Audio libraries do not say how much they dropped: a status flag is set once whether one block or a
second of audio is gone, and after some faults not at all. A clock does. A block's *lag* is its
arrival time less the duration of all frames up to its end. Lateness raises the lag for a moment
and it comes back; lost audio raises it for good. So:

- the *floor* is the least lag of the last seconds, which follows the slow difference between the
  device's crystal and the computer's clock;
- a block whose lag is near the floor is released at once, with everything held before it;
- a block further above the floor is held until either a later one comes near the floor (it was
  only late), or `HOLD_S` have passed and every block since has been high: then the least of their
  excesses is the duration that was lost, just before the first block held. Blocks from which on
  every lag is higher still belong to a further loss and are held on.

Many drivers deliver several callbacks back to back once a period; the last of such a burst is
near the floor, so the burst is released whole within a fraction of a millisecond.

Pure: no clock is read here. Limits: a loss shorter than the threshold (half of a burst, at least
`LEAST_LOSS_S`, at most `MOST_LOSS_S`) is not seen; a count is right to within the jitter of the
arrivals.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

#: How long every block must be late before the lateness counts as loss, seconds. Longer than the
#: scheduling hiccups measured on a loaded two-core machine (5 ms at the 99th percentile).
HOLD_S = 0.1
#: The hold also spans this many bursts, so that slow drivers get as many chances to catch up.
HOLD_BURSTS = 5
#: How far back the floor looks, seconds: at 100 parts in a million of clock difference the floor
#: moves 0.2 ms in this time, well below the least loss looked for.
FLOOR_S = 2.0
#: While a device starts, its arrivals say nothing: buffers fill in bursts. Seconds.
SETTLE_S = 0.25
#: Bounds of the threshold, seconds.
LEAST_LOSS_S = 0.001
MOST_LOSS_S = 0.004
#: Two arrivals closer than this share of the later one's duration belong to one burst.
_BURST_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Release:
    """Frames up to ``end_frame`` may be used; ``lost_samples`` are missing just before them."""

    end_frame: int
    lost_samples: int = 0


@dataclass(frozen=True, slots=True)
class _Arrival:
    end_frame: int
    time_s: float
    lag_s: float


class LossClock:
    """Turns arrivals (frame count, time) of one device into releases. See the module's text."""

    def __init__(self, sample_rate_hz: float) -> None:
        if sample_rate_hz <= 0:
            raise ValueError("the sample rate is positive")
        self._rate_hz = sample_rate_hz
        self._floor: deque[tuple[float, float]] = deque()  # (time_s, lag_s), lag_s rising
        self._held: list[_Arrival] = []
        self._bursts: deque[int] = deque(maxlen=9)
        self._burst_frames = 0
        self._last: _Arrival | None = None
        self._settled_s: float | None = None
        self.lost_samples = 0

    def arrive(self, end_frame: int, time_s: float) -> list[Release]:
        """A block ended at ``end_frame`` (counted from the device's first) at ``time_s``.

        What may be used now, in order; often nothing yet.
        """
        arrival = _Arrival(end_frame, time_s, time_s - end_frame / self._rate_hz)
        self._note_burst(arrival)
        self._last = arrival
        if self._settled_s is None:
            self._settled_s = time_s + SETTLE_S
        if time_s < self._settled_s:
            self._note_floor(arrival)
            return [Release(end_frame)]
        if self._excess_s(arrival) <= self._threshold_s():
            self._held.clear()
            self._note_floor(arrival)
            return [Release(end_frame)]
        self._held.append(arrival)
        releases = []
        while self._held and time_s - self._held[0].time_s >= self._hold_s():
            releases.append(self._count_loss())
        return releases

    def time_of(self, time_s: float) -> float | None:
        """Seconds from the device's first frame, losses counted, that had come in at ``time_s``;
        None before anything came. The least lag of the last seconds ties both clocks together."""
        return time_s - self._floor[0][1] if self._floor else None

    def restart(self) -> list[Release]:
        """The device was opened anew; frame counts go on from where they were.

        What was held is released as it is: the pause is judged from the first blocks that come,
        like any other loss, and a loss before it is part of the same sum.
        """
        held = [Release(self._held[-1].end_frame)] if self._held else []
        self._held.clear()
        self._last = None
        self._burst_frames = 0
        self._bursts.clear()
        return held

    def _excess_s(self, arrival: _Arrival) -> float:
        """How far the lag is above the floor, what is already counted as lost taken off."""
        return arrival.lag_s - self.lost_samples / self._rate_hz - self._floor[0][1]

    def _note_floor(self, arrival: _Arrival) -> None:
        lag_s = arrival.lag_s - self.lost_samples / self._rate_hz
        while self._floor and self._floor[-1][1] >= lag_s:
            self._floor.pop()
        self._floor.append((arrival.time_s, lag_s))
        while self._floor[0][0] < arrival.time_s - FLOOR_S:
            self._floor.popleft()

    def _note_burst(self, arrival: _Arrival) -> None:
        last = self._last
        if last is None:
            self._burst_frames = 0
            return
        frames = arrival.end_frame - last.end_frame
        if arrival.time_s - last.time_s > _BURST_SHARE * frames / self._rate_hz:
            if self._burst_frames:
                self._bursts.append(self._burst_frames)
            self._burst_frames = 0
        self._burst_frames += frames

    def _usual_burst_s(self) -> float:
        if not self._bursts:
            return 0.0
        return sorted(self._bursts)[len(self._bursts) // 2] / self._rate_hz

    def _threshold_s(self) -> float:
        return min(max(0.5 * self._usual_burst_s(), LEAST_LOSS_S), MOST_LOSS_S)

    def _hold_s(self) -> float:
        return max(HOLD_S, HOLD_BURSTS * self._usual_burst_s())

    def _count_loss(self) -> Release:
        """Count the loss before the first block held, and release those it explains."""
        excess_s = [self._excess_s(arrival) for arrival in self._held]
        least_s = min(excess_s)
        # From the last block that comes down to the least excess onward, more was lost.
        limit_s = least_s + self._threshold_s()
        explained = max(i for i, value in enumerate(excess_s) if value <= limit_s) + 1
        lost = max(0, round(least_s * self._rate_hz))
        self.lost_samples += lost
        for arrival in self._held[:explained]:
            self._note_floor(arrival)
        end_frame = self._held[explained - 1].end_frame
        del self._held[:explained]
        return Release(end_frame, lost)
