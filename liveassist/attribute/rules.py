"""First judgement of a kit never heard: physics and general knowledge, no signatures yet.

What is assumed, and no more: a close microphone hears its own drum louder than anything else in
its life; a kick has its energy under 170 Hz; a snare hit, soft or hard, has a body (170 to
700 Hz) that cymbals and hats lack; an own microphone at its loudest while every other own
microphone is far from its loudest has heard its own drum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.attribute.explain import PRE
from liveassist.model import DrumKind
from liveassist.spectra import Power

FloatArray = npt.NDArray[np.float64]

LOW, BODY, HIGH = slice(0, 2), slice(2, 5), slice(8, 11)
#: The loudest a microphone has been fades by this much a second, so that one crash of a stand
#: does not deafen the tool for the rest of the day.
FORGET_DB_PER_S = 0.1
#: Nothing under this counts as a microphone's loudest (-40 dBFS): a click that a close microphone
#: hears from far away is not a kick, though nothing louder has been heard yet.
LEAST_POWER = 1e-4
#: A tom not known yet is struck if its microphone is this near to its loudest, dB. Of 63 strokes in
#: eight recorded and simulated sessions 57 are found, and 4 that were none are reported; with 20 dB
#: 58 and 29.
LEAST_TOM_DB = -10.0
#: Until a drum is known, what follows within this is taken for the same stroke.
LATE_BODY_S = 0.06
#: Unless it is louder by so much, dB.
LATE_DB = 6.0
#: A close microphone hears its own drum louder than another drum's does, at gains not too far
#: apart (power, 10 dB); what comes alike in both (somebody talks) is no drum's.
CLOSE_POWER = 10.0
#: In windows shorter than its period a hum's power swings up to twice its mean.
SWINGS = 2.0
#: Slabs after the onset that are looked at if nothing else begins.
SLABS_SEEN = 4
#: Of the kicks and snare hits that these rules find so many are right, as measured over eleven
#: recorded and simulated sessions (98 and 92 per cent of 90 and 105), a little less being claimed.
SURE_KICK = 0.95
SURE_SNARE = 0.9


@dataclass(frozen=True, slots=True)
class Opinion:
    """``probability`` of a hit; ``sure``: clear enough to learn from."""

    probability: float
    sure: bool


class Rules:
    """Remembers how loud each own microphone has been; judges one moment at a time."""

    def __init__(
        self, own: dict[str, int], kinds: dict[str, DrumKind], sample_rate_hz: int
    ) -> None:
        self._own = own
        self._kinds = kinds
        self._rate = sample_rate_hz
        self._loudest = dict.fromkeys(own.values(), LEAST_POWER)
        self._heard_at = 0
        self._last: dict[str, tuple[int, float]] = {}

    def listen(self, heard: Power, noise: Power, sample: int) -> dict[int, float]:
        """Note the loudness at ``sample``, steady ``noise`` (mics, BANDS) taken off; dB of each own
        microphone against its loudest."""
        fade = 10.0 ** (-FORGET_DB_PER_S / 10.0 * (sample - self._heard_at) / self._rate)
        self._heard_at = sample
        relative = {}
        mics = list(self._loudest)
        over = np.maximum(heard[PRE:, mics] - SWINGS * noise[mics], 0.0).sum(axis=2)
        for mic, now in zip(mics, over.max(axis=0).tolist(), strict=True):
            self._loudest[mic] = max(self._loudest[mic] * fade, now, LEAST_POWER)
            relative[mic] = 10.0 * math.log10(now / self._loudest[mic] + 1e-12)
        return relative

    def judge(
        self,
        drum: str,
        heard: Power,
        noise: Power,
        relative: dict[int, float],
        sample: int,
        slabs: int = SLABS_SEEN,
    ) -> Opinion:
        """Was ``drum`` hit at ``sample``, given band powers (slabs, mics, BANDS), steady ``noise``
        and `listen`'s answer? A body that speaks late, or a bounce, is not a second stroke.

        ``slabs``: how many after the onset are this stroke's; what begins later is another's.
        """
        before, level = self._last.get(drum, (-(10**9), -99.0))
        own = relative[self._own[drum]]
        if sample - before < LATE_BODY_S * self._rate and own < level + LATE_DB:
            return Opinion(0.05, False)
        opinion = self._judge(drum, heard[: PRE + slabs], noise, relative)
        if opinion.probability >= 0.5:
            self._last[drum] = (sample, own)
        return opinion

    def _judge(self, drum: str, heard: Power, noise: Power, relative: dict[int, float]) -> Opinion:
        mic = self._own[drum]
        kind = self._kinds[drum]
        after, rise = _risen(heard, noise, mic)
        others = [level for column, level in relative.items() if column != mic]
        rival = max(others) if others else -60.0
        own = relative[mic]
        if kind == "kick":
            return self._kick(after, rise, own)
        if kind == "snare":
            return self._snare(after, rise, own, self._kicked(heard, noise, relative, mic))
        clear = own - rival
        # A tom speaks seldom and then loudest: softer, it is the ring that others wake in it.
        least = LEAST_TOM_DB if kind == "tom" else -20.0
        probable = float(rise.sum()) > 30.0 and own > least and clear > 3.0
        return Opinion(0.6 if probable else 0.1, probable and own > -12.0 and clear > 10.0)

    def _kick(self, after: FloatArray, rise: FloatArray, own: float) -> Opinion:
        low = float(after[:3].sum() / after.sum())
        rises = float(rise[:3].mean()) > 6.0
        probable = own > -16.0 and low > 0.4 and rises
        return Opinion(SURE_KICK if probable else 0.05, probable and own > -10.0)

    def _kicked(self, heard: Power, noise: Power, relative: dict[int, float], mic: int) -> float:
        """How near to its loudest a kick's microphone is that may have heard a kick; -60 dB where
        none did: until a kick was played a snare's bleed is the loudest there, but then the
        snare's own microphone (column ``mic``) hears it far louder."""
        power = _risen(heard, noise, mic)[0].sum()
        levels = [
            relative[column]
            for name, column in self._own.items()
            if self._kinds[name] == "kick"
            and (
                self._kick(*_risen(heard, noise, column), relative[column]).probability >= 0.5
                or power < CLOSE_POWER * _risen(heard, noise, column)[0].sum()
            )
        ]
        return max(levels, default=-60.0)

    def _snare(self, after: FloatArray, rise: FloatArray, own: float, kick: float) -> Opinion:
        body = 10.0 * float(np.log10(after[BODY].sum() / after[HIGH].sum()))
        low = float(after[LOW].sum() / after.sum())
        body_rises = float(rise[BODY].mean())
        if kick > -16.0:
            # The kick is at its loudest: only a snare with its wires is told from its bleed.
            both = own > -6.0 and body > 0.0 and float(rise[HIGH].mean()) > 15.0 and low < 0.4
            return Opinion(0.5 if both else 0.1, False)
        probable = body > -3.0 and body_rises > 6.0 and own > -30.0 and low < 0.6
        return Opinion(
            SURE_SNARE if probable else 0.05, probable and own > -12.0 and body_rises > 9.0
        )


def _risen(heard: Power, noise: Power, mic: int) -> tuple[FloatArray, FloatArray]:
    """Loudest band powers of column ``mic`` after the onset, steady ``noise`` taken off, and their
    rise over before, dB: what only swings within the noise does not rise."""
    steady = SWINGS * noise[mic].astype(np.float64)
    loudest = heard[PRE:, mic].max(axis=0).astype(np.float64)
    before = np.maximum(heard[:PRE, mic].max(axis=0), steady) + 1e-12
    rise = np.clip(10.0 * np.log10((loudest + 1e-12) / before), 0.0, 20.0)
    return np.maximum(loudest - steady, 0.02 * loudest) + 1e-12, rise
