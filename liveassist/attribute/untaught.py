"""Drums that have no signature yet: `rules` asked of what known drums leave unexplained."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from liveassist.attribute.explain import PRE, SLABS
from liveassist.attribute.rules import Rules
from liveassist.attribute.verdict import Verdict
from liveassist.model import Candidate, DrumKind
from liveassist.spectra import Grid, Power

#: A window's last tenth weighs nothing under its taper.
WEIGHS = 0.9
#: A microphone whose drum is known is no rival: its share is taken off, dB.
NO_RIVAL_DB = -60.0


class Untaught:
    """Judges drums by the first rules, each by the windows that are its own stroke's."""

    def __init__(self, grid: Grid, own: dict[str, int], kinds: dict[str, DrumKind]) -> None:
        self._grid = grid
        self._rules = Rules(own, kinds, grid.sample_rate_hz)

    def listen(self, heard: Power, noise: Power, sample: int) -> dict[int, float]:
        """Note the loudness at ``sample``; dB of each own microphone against its loudest."""
        return self._rules.listen(heard, noise, sample)

    def judge(
        self,
        heard: Power,
        left: Power,
        noise: Power,
        sample: int,
        strangers: Mapping[str, Candidate],
        relative: Mapping[int, float],
        familiar: Collection[int],
        waiting: Sequence[Candidate],
    ) -> list[tuple[Verdict, bool]]:
        """Verdicts on drums that are ``strangers``, and whether each is clear enough to learn from.

        ``left``: what known drums leave of ``heard``; ``familiar``: columns of their microphones;
        ``waiting``: candidates to come. What a stronger one brings is not this stroke's: else a
        ripple just before a stroke is taken for it, and the stroke for its bounce.
        """
        found = []
        seen = np.concatenate([heard[:PRE], left[PRE:]])
        for drum, candidate in strangers.items():
            shown = {m: (NO_RIVAL_DB if m in familiar else v) for m, v in relative.items()}
            mic = candidate.mic
            slabs = self._slabs_until(next_in(candidate, waiting) - sample)
            most = float(heard[PRE:, mic].sum(axis=1).max())
            rest = float(left[PRE : PRE + slabs, mic].sum(axis=1).max())
            shown[mic] = relative[mic] + 10.0 * float(np.log10(rest / (most + 1e-20) + 1e-6))
            opinion = self._rules.judge(drum, seen, noise, shown, candidate.sample, slabs)
            offset = candidate.sample - sample
            verdict = Verdict(drum, mic, candidate.sample, opinion.probability, None, None, offset)
            found.append((verdict, opinion.sure))
        return found

    def _slabs_until(self, offset: int) -> int:
        """How many slabs after the onset end before ``offset`` samples; at least the first."""
        ends = SLABS[PRE:] * self._grid.fine + round(WEIGHS * self._grid.window)
        return max(1, int((ends <= offset).sum()))


def next_in(candidate: Candidate, waiting: Sequence[Candidate]) -> int:
    """Sample at which a stronger stroke begins next in the candidate's microphone (far off: none
    does)."""
    after = [
        c.sample
        for c in waiting
        if c.mic == candidate.mic
        and c.sample > candidate.sample
        and c.strength_db >= candidate.strength_db
    ]
    return min(after, default=candidate.sample + 10**9)
