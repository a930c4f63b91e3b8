"""Learning while listening: clear hits become exemplars of their drum.

In a kit with no soundcheck this is how signatures come to be; the first ones after `FIRST` clear
hits, better ones as more are heard.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from liveassist.attribute.bank import Past
from liveassist.attribute.gains import turned
from liveassist.attribute.signature import BEFORE, STARTS, Signature, exemplar, gather
from liveassist.history import History
from liveassist.ranks import quantiles
from liveassist.spectra import BANDS, Grid, Power

#: Clear hits of a drum before its first signature. Three average out half of what differs
#: between strokes; at 100 bpm that many snares take five seconds.
FIRST = 3
KEPT = 12
#: Exemplars added because a person said "there was a hit".
MOST_TOLD = 3
#: After the first `KEPT`, a drum learns at most this often, s: the kit changes slowly.
PAUSE_S = 4.0
#: A hit is learned only if nothing else begins for this long, s.
CLEAR_S = 0.045
#: What is neither kick, snare nor a drum with its own microphone: cymbals, hats, noises.
OTHERS = "_others"
OTHERS_KEPT = 10
#: Likeness (see `likeness`) to a drum that is known from which a sound is that drum's, whatever it
#: was taken for: ghost notes that were rejected are 0.92 to 0.97 like the snare, hats and cymbals
#: up to 0.70. Kept as others they would take the drum's place from then on.
ALIKE = 0.85
#: Noise floor: the mean of four windows a hop apart in every second chunk, percentile over this
#: many (7.4 s). A hum's power swings with its phase in windows shorter than its period: 10 ms for
#: one of 50 Hz, which four windows span.
NOISE_FRAMES = 80
NOISE_WINDOWS = 4
#: Until so many chunks were heard every one is taken in at once.
NOISE_SOON = 16
#: A lesson in which another drum's microphone is so much louder than in most strokes of the drum,
#: dB, was not alone: how a drum bleeds varies by 3 to 6 dB from stroke to stroke.
IMPURE_DB = 10.0
#: And that microphone must hear this share of what its own drum's usual hits are (power, 10 dB).
IMPURE_SHARE = 0.1


class Student:
    """Collects exemplars and keeps `signatures` up to date."""

    def __init__(self, grid: Grid, own: dict[str, int], mics: int) -> None:
        self._grid = grid
        self._own = own
        self.signatures: dict[str, Signature] = {}
        self.noise: Power = np.full((mics, BANDS), 1e-12, dtype=np.float32)
        self._hits: dict[str, deque[Power]] = {}
        self._last: dict[str, int] = {}
        self._when: dict[str, deque[int]] = {}
        self._told: dict[str, int] = {}
        self._quiet: deque[Power] = deque(maxlen=NOISE_FRAMES)
        #: Audio of moments since, (microphones, samples) each.
        self._moments: list[npt.NDArray[np.float32]] = []
        self._chunks = 0

    def hear(self, history: History) -> None:
        """Follow the noise floor, a moment of every second chunk."""
        self._chunks += 1
        grid = self._grid
        first = history.row(history.end) - grid.window - (NOISE_WINDOWS - 1) * grid.hop
        soon = self._chunks <= NOISE_SOON
        if first < 0 or (self._chunks % 2 and not soon):
            return
        self._moments.append(history.array[first:].T.copy())
        if soon or self._chunks % 16 == 0:
            # Transformed together, when they are asked for: much of a small transform is asking.
            heard = np.concatenate(self._moments)
            power = grid.running(heard, NOISE_WINDOWS).mean(axis=1)
            self._quiet.extend(power.reshape(len(self._moments), -1, BANDS))
            self._moments.clear()
            self.noise[:] = quantiles(np.stack(self._quiet), 0.10)

    def wants(self, drum: str, sample: int) -> bool:
        """Whether another exemplar of ``drum`` is wanted now."""
        got = len(self._hits.get(drum, ()))
        kept = OTHERS_KEPT if drum == OTHERS else KEPT
        pause = 0.2 if got < kept else PAUSE_S
        return sample - self._last.get(drum, -(10**9)) >= pause * self._grid.sample_rate_hz

    def learn(
        self,
        drum: str,
        history: History,
        onset: int,
        until: int | None,
        near: Sequence[Past] = (),
    ) -> None:
        """Take the hit at ``onset`` (next onset anywhere: ``until``) as an exemplar of ``drum``.

        What the hits ``near`` of known drums put there is taken off first.
        """
        grid = self._grid
        margin = 64 * grid.fine
        length = 320 * grid.fine + grid.window
        audio = history.view(onset - margin, onset + length)
        last = None if until is None else until - onset + margin
        if history.end < onset + length:
            have = history.end - onset + margin
            last = have if last is None else min(last, have)
        power = exemplar(grid, audio, margin, self.noise, last)
        for hit in near:
            signature = self.signatures.get(hit.drum)
            if signature is None or len(hit.gains) != len(signature.exemplars):
                continue
            seen = signature.seen_at(hit.sample - onset, STARTS * grid.fine, grid.fine)
            power = np.maximum(power - np.tensordot(hit.gains, seen, axes=1), 0.02 * power)
            mic = self._own.get(hit.drum)
            if mic is not None and mic != self._own.get(drum):
                # How this drum bleeds there cannot be known from a stroke in company.
                power[:, mic] *= 1e-3
        if self._known(power) if drum == OTHERS else not near and self._impure(drum, power):
            return
        kept = self._hits.setdefault(drum, deque(maxlen=OTHERS_KEPT if drum == OTHERS else KEPT))
        kept.append(power)
        when = self._when.setdefault(drum, deque(maxlen=kept.maxlen))
        when.append(onset)
        self._last[drum] = onset
        self._gather(drum)

    def _impure(self, drum: str, power: Power) -> bool:
        """Whether another known drum's own microphone heard more than this drum's bleed, and as
        much as a hit on that drum: it was struck too, though not recognised."""
        signature = self.signatures.get(drum)
        if signature is None or signature.common_db is None:
            return False
        loudest = power.sum(axis=2).max(axis=0) + 1e-30
        relative = 10.0 * np.log10(loudest / loudest[signature.mic])
        return any(
            relative[other.mic] > signature.common_db[other.mic] + IMPURE_DB
            and loudest[other.mic] > IMPURE_SHARE * other.usual_power
            for name, other in self.signatures.items()
            if name in self._own and name != drum and other.mic != signature.mic
        )

    def _gather(self, drum: str) -> None:
        """Make the drum's signature of the exemplars there are, once they are enough."""
        kept = self._hits[drum]
        if len(kept) >= (1 if drum == OTHERS else FIRST):
            mic = self._own.get(drum)
            if mic is None:
                mic = int(np.argmax(kept[-1].sum(axis=(0, 2))))
            groups = 6 if drum == OTHERS else 3
            self.signatures[drum] = gather(drum, mic, list(kept), groups, solid=False)
            if drum != OTHERS:
                self._sort_out()

    def _known(self, power: Power) -> bool:
        """Whether the exemplar sounds like a drum that is known."""
        return any(
            likeness(power, signature.exemplars.mean(axis=0)) > ALIKE
            for name, signature in self.signatures.items()
            if name != OTHERS
        )

    def _sort_out(self) -> None:
        """Drop what was kept as others and turns out to be a drum that is known now."""
        kept = self._hits.get(OTHERS, deque())
        stays = [not self._known(power) for power in kept]
        if all(stays):
            return
        when = self._when[OTHERS]
        self._hits[OTHERS] = deque(
            (p for p, stay in zip(kept, stays, strict=True) if stay), maxlen=kept.maxlen
        )
        self._when[OTHERS] = deque(
            (t for t, stay in zip(when, stays, strict=True) if stay), maxlen=when.maxlen
        )
        self.signatures.pop(OTHERS, None)
        if self._hits[OTHERS]:
            self._gather(OTHERS)

    def unlearn(self, drum: str, onset: int, near: int) -> None:
        """Forget exemplars of ``drum`` learned within ``near`` samples of ``onset``."""
        kept, when = self._hits.get(drum), self._when.get(drum)
        if not kept or not when:
            return
        stays = [abs(at - onset) > near for at in when]
        if all(stays):
            return
        hits = [hit for hit, stay in zip(kept, stays, strict=True) if stay]
        times = [at for at, stay in zip(when, stays, strict=True) if stay]
        self._hits[drum] = deque(hits, maxlen=kept.maxlen)
        self._when[drum] = deque(times, maxlen=when.maxlen)
        if len(hits) >= FIRST and drum in self.signatures:
            self.signatures[drum] = gather(drum, self.signatures[drum].mic, hits, 3, solid=False)

    def told(self, drum: str, history: History, onset: int) -> None:
        """Add the hit at ``onset`` to a signature there is, as an exemplar of its own.

        At most `MOST_TOLD` are added so; then the oldest of them gives way.
        """
        signature = self.signatures.get(drum)
        if signature is None:
            return
        grid = self._grid
        margin = 64 * grid.fine
        audio = history.view(onset - margin, onset + 320 * grid.fine + grid.window)
        have = min(history.end - onset + margin, len(audio))
        power = exemplar(grid, audio, margin, self.noise, have)
        loudest = float(power[:, signature.mic].sum(axis=1).max()) + 1e-30
        if drum in self._hits and drum in self._when:
            # What is learned while listening goes on from here.
            self._hits[drum].append(power)
            self._when[drum].append(onset)
        told = self._told.get(drum, 0)
        own = power[None] / np.float32(loudest)

        def added(exemplars: Power) -> Power:
            if told == MOST_TOLD:
                exemplars = np.delete(exemplars, len(exemplars) - told, axis=0)
            return np.concatenate([exemplars, own])

        cleaned = None if signature.cleaned is None else added(signature.cleaned)
        self._told[drum] = min(told + 1, MOST_TOLD)
        self.signatures[drum] = replace(
            signature, exemplars=added(signature.exemplars), cleaned=cleaned
        )

    def kept(self) -> dict[str, list[Power]]:
        """The exemplars that each drum is being learned from; they are never changed later."""
        return {drum: list(hits) for drum, hits in self._hits.items()}

    def take_up(self, kept: Mapping[str, Sequence[Power]], noise: Power) -> None:
        """Go on learning from exemplars of before a break (see `kept`)."""
        for drum, hits in kept.items():
            most = OTHERS_KEPT if drum == OTHERS else KEPT
            self._hits[drum] = deque(hits, maxlen=most)
            # They lie before anything that can be taken back.
            self._when[drum] = deque([-(10**9)] * len(self._hits[drum]), maxlen=most)
            self._gather(drum)
        self.noise[:] = noise

    def turn(self, gains: npt.NDArray[np.float64]) -> None:
        """Every microphone's power comes with its gain from now on."""
        self.signatures, self.noise = turned(self.signatures, self.noise, gains)

    def ready(self, drum: str) -> bool:
        """Whether ``drum`` has a signature."""
        return drum in self.signatures

    def count(self, drum: str) -> int:
        """Exemplars of ``drum`` kept."""
        return len(self._hits.get(drum, ()))


#: Windows around the onset in which two sounds are compared, rows of an exemplar.
_LIKE = slice(-BEFORE - 8, -BEFORE + 40)


def likeness(one: Power, other: Power) -> float:
    """How alike two exemplars (len(STARTS), mics, BANDS) are, 0 to 1: Bhattacharyya's coefficient
    of how their power lies over microphones and bands (A. Bhattacharyya, Bull. Calcutta Math.
    Soc. 35, 1943)."""
    a, b = one[_LIKE].max(axis=0), other[_LIKE].max(axis=0)
    return float(np.sqrt(a * b).sum() / np.sqrt(a.sum() * b.sum() + 1e-30))
