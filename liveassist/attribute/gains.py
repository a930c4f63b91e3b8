"""Gains that were turned since the soundcheck, or in the middle of a take.

A soundcheck teaches how loud each drum is in every microphone. A gain turned afterwards shifts
all of them in one microphone alike, bleed too; playing harder shifts all microphones alike. So
the last clear moments are explained by the learned drums and one gain a microphone, the median of
all microphones held: powers P[e,m,b] = s[m] * sum over d of a[e,d] T[d,m,b], by multiplicative
updates of the Itakura-Saito divergence, which weighs loud and soft microphones alike (C. Fevotte,
N. Bertin and J.-L. Durrieu, Neural Computation 21(3), 2009; departure: ratios are bounded, since
a sound that no drum made is to be no argument).

A gain is believed when every second moment says the same as the others do, and it is large: what
attribution bears by itself is left alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from liveassist.attribute.signature import Learned, Signature, rows_at
from liveassist.history import History
from liveassist.model import Candidate
from liveassist.spectra import BANDS, Grid, Power

FloatArray = npt.NDArray[np.float64]

#: Candidates that count, sum of band rises in dB, and how far apart they are taken, s.
STRONG_DB = 40.0
APART_S = 0.06
#: Moments that an estimate rests on; it is made anew after every `EVERY` of them.
MOMENTS = 16
EVERY = 4
#: Window starts after and before the onset, sixteenths of a window.
AFTER = np.array([-4, 4, 16, 32], dtype=np.int64)
BEFORE = np.array([-28, -16], dtype=np.int64)
#: Gain from which what was learned is turned with it, dB; one of 9 dB costs no hits.
TURNED_DB = 10.0
#: Halves of the moments agree within this, dB.
AGREE_DB = 3.0
#: A microphone is judged by moments in which a drum came there as near to its loudest (at the same
#: gain) as in the median microphone: power ratio, 8 dB down, and how many moments. Where only
#: bleed is heard it may have another course than in the soundcheck, and no gain is missed.
NEARLY = 0.16
CLEAR = 3
#: A cell this far under the loudest of its microphone says nothing (power).
FLOOR_BELOW = 1e-3
UPDATES = 40
MOST_RATIO = 10.0


class GainWatch:
    """Follows the gain of every microphone against what was ``learned``."""

    def __init__(self, grid: Grid, learned: Learned) -> None:
        self._grid = grid
        self._noise = learned.noise.astype(np.float64)
        self._taught = [_template(grid, s) for s in learned.signatures.values()]
        self._turned = np.ones(len(learned.mics))
        self._said = np.zeros(len(learned.mics))
        self._waiting: list[int] = []
        self._moments: deque[FloatArray] = deque(maxlen=MOMENTS)
        self._new = 0
        self._last = -(10**9)

    @property
    def gains_db(self) -> FloatArray:
        """Gains against the soundcheck that were followed so far, dB, by microphone."""
        return np.asarray(10.0 * np.log10(self._turned))

    def reset(self) -> None:
        """Forget moments in flight (after a gap)."""
        self._waiting.clear()

    def feed(self, history: History, candidates: Sequence[Candidate]) -> FloatArray | None:
        """Power gains by which what is known of the microphones is to be turned now, or None."""
        apart = APART_S * self._grid.sample_rate_hz
        for candidate in candidates:
            if candidate.strength_db >= STRONG_DB and candidate.sample - self._last > apart:
                self._last = candidate.sample
                self._waiting.append(candidate.sample)
        need = int(AFTER[-1]) * self._grid.fine + self._grid.window
        while self._waiting and self._waiting[0] + need <= history.end:
            self._hear(history, self._waiting.pop(0))
        if len(self._moments) < MOMENTS or self._new < EVERY:
            return None
        self._new = 0
        return self._judge()

    def _hear(self, history: History, sample: int) -> None:
        grid = self._grid
        row = history.row(sample)
        starts = np.concatenate([BEFORE, AFTER]) * grid.fine
        if row + int(starts[0]) < 0:
            return
        first = row + int(starts[0])
        power = grid.at(
            history.array[first : row + int(starts[-1]) + grid.window], starts - starts[0]
        )
        rose = power[len(BEFORE) :].max(axis=0) - power[: len(BEFORE)].max(axis=0)
        self._moments.append(np.maximum(rose, 0.0).astype(np.float64))
        self._new += 1

    def _judge(self) -> FloatArray | None:
        heard = np.stack(self._moments)
        taught = np.stack(self._taught) * self._turned[None, :, None]
        floor = self._noise * self._turned[:, None]
        whole, loud = estimate_db(heard, taught, floor)
        if np.abs(whole).max() < TURNED_DB:
            self._said[:] = 0.0
            return None
        halves = [estimate_db(heard[start::2], taught, floor)[0] for start in (0, 1)]
        share = np.sort(loud / taught.sum(axis=2).max(axis=0), axis=0)[-CLEAR]
        clear = share > NEARLY * np.median(share)
        agreed = np.abs(halves[0] - halves[1]) <= AGREE_DB
        believed = (np.abs(whole) >= TURNED_DB) & agreed & clear
        # Said twice in a row, it is done.
        again = believed & (np.abs(whole - self._said) <= AGREE_DB)
        self._said = np.where(believed, whole, 0.0)
        if not again.any():
            return None
        believed = again
        turned = np.where(believed, 10.0 ** (whole / 10.0), 1.0)
        self._turned = self._turned * turned
        self._moments.clear()
        return np.asarray(turned)


def estimate_db(
    heard: FloatArray, taught: FloatArray, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gain of each microphone, dB, the median of all being none; and the power of the drums in
    every moment and microphone, (moments, mics), at the gain that was taught.

    ``heard``: (moments, mics, BANDS), powers that rose; ``taught``: (drums, mics, BANDS), of usual
    hits; ``noise``: (mics, BANDS).
    """
    moments, mics, bands = heard.shape
    floor = np.maximum(noise, FLOOR_BELOW * heard.max(axis=2, keepdims=True)) + 1e-12
    target = (heard + floor).reshape(moments, -1)
    base = floor.reshape(moments, -1)
    columns = taught.reshape(len(taught), -1)
    gains = np.ones(mics)
    parts = np.full((moments, len(taught)), 0.1)
    for _ in range(UPDATES):
        spread = np.repeat(gains, bands)
        model = (parts @ columns) * spread + base
        pull = np.minimum(target / model, MOST_RATIO) / model * spread
        push = spread / model
        parts *= np.sqrt((pull @ columns.T + 1e-30) / (push @ columns.T + 1e-30))
        mix = parts @ columns
        model = mix * spread + base
        pull = mix * np.minimum(target / model, MOST_RATIO) / model
        up = pull.reshape(moments, mics, bands).sum(axis=(0, 2))
        down = (mix / model).reshape(moments, mics, bands).sum(axis=(0, 2))
        gains *= np.sqrt((up + 1e-30) / (down + 1e-30))
        gains /= np.median(gains)
    loud = (parts @ columns).reshape(moments, mics, bands).sum(axis=2)
    return np.asarray(10.0 * np.log10(gains)), np.asarray(loud)


def turned(
    signatures: Mapping[str, Signature], noise: Power, gains: FloatArray
) -> tuple[dict[str, Signature], Power]:
    """What was learned with every microphone's power times its gain."""
    scale = gains.astype(np.float32)[:, None]
    out = {}
    for name, signature in signatures.items():
        own = float(gains[signature.mic])
        exemplars = signature.exemplars * (scale / np.float32(own))
        cleaned = None if signature.cleaned is None else signature.cleaned * (scale / own)
        out[name] = replace(
            signature, exemplars=exemplars, cleaned=cleaned, power=signature.power * own
        )
    return out, noise * scale


def _template(grid: Grid, signature: Signature) -> FloatArray:
    """Band powers of a usual hit, the loudest of the windows looked at: (mics, BANDS)."""
    rows, _ = rows_at(AFTER * grid.fine, grid.fine)
    mean = signature.exemplars.mean(axis=0)[rows].max(axis=0)
    assert mean.shape[-1] == BANDS
    return np.asarray(signature.usual_power * mean, dtype=np.float64)
