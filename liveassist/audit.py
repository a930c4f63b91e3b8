"""Self-audit: how soft a hit would still be heard in what sounds now.

Hits that were surely heard are taken from the last seconds, made softer, and mixed into a private
copy of those seconds at moments of their own. The copy goes through the same hearing with what is
known of the kit. What is found of them says from which level on hits are missed; nothing of it
reaches outputs or files but that figure.

Pure: a `Job` is made from what was heard, `run` gives the `Trial`s, `figures` the answer. A job is
a plain value, so that it can be run in another process.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.attribute.signature import Learned
from liveassist.hearing import Hearing
from liveassist.model import Audit, Block, Hit, Kit
from liveassist.rechunk import Rechunk

Audio = npt.NDArray[np.float32]

#: Levels tried, dB under full scale, one hit of each drum at each level in every pass.
LEVELS_DBFS = tuple(float(level) for level in range(-10, -56, -3))
#: Copies of what was heard that are tried; each takes about as long as hearing it once.
PASSES = 3
#: Hits taken as examples: this sure, nothing else this near; the loudest first.
SURE = 0.975
ALONE_S = 0.09
EXAMPLES = 4
#: Length of an example, and its fade at the end, s.
LENGTH_S = 0.25
FADE_S = 0.08
#: Mixed hits are this far from hits of the same drum, and from each other, s.
APART_S = 0.12
#: A hit found this near a mixed one is it, s.
FOUND_S = 0.010


@dataclass(frozen=True, slots=True)
class Job:
    """What an audit needs: ``audio`` (samples, mics) from ``first_sample``, hits within it."""

    kit: Kit
    sample_rate_hz: int
    learned: Learned
    first_sample: int
    audio: Audio
    hits: tuple[Hit, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """One mixed hit, and whether it was heard."""

    drum: str
    level_dbfs: float
    heard: bool


def examples(job: Job) -> dict[str, list[Hit]]:
    """The hits of each judged drum that are mixed in softer: sure, alone, not clipped."""
    found: dict[str, list[Hit]] = {}
    last = job.first_sample + len(job.audio) - round(LENGTH_S * job.sample_rate_hz)
    for hit in job.hits:
        alone = all(other is hit or abs(other.time_s - hit.time_s) > ALONE_S for other in job.hits)
        within = job.first_sample + job.sample_rate_hz // 100 < hit.sample < last
        sure = hit.confidence >= SURE and hit.peak_dbfs is not None and "clipped" not in hit.flags
        if alone and within and sure and job.kit.drum(hit.drum).judged:
            found.setdefault(hit.drum, []).append(hit)
    for hits in found.values():
        hits.sort(key=lambda hit: -(hit.peak_dbfs or 0.0))
        del hits[EXAMPLES:]
    return found


def run(job: Job, passes: int = PASSES) -> list[Trial]:
    """Mix, hear, compare. Empty where no hit can serve as an example."""
    chosen = examples(job)
    random = np.random.default_rng(len(job.audio))
    trials: list[Trial] = []
    for _ in range(passes if chosen else 0):
        mixed, put = _mixed(job, chosen, random)
        found = _hear(job, mixed)
        for drum, sample, level in put:
            near = FOUND_S * job.sample_rate_hz
            heard = any(d == drum and abs(at - sample) <= near for d, at in found)
            trials.append(Trial(drum, level, heard))
    return trials


def figures(trials: Iterable[Trial]) -> dict[str, Audit]:
    """From which level on hits of each drum are heard.

    The level that parts heard from missed with the fewest exceptions; of equals the loudest.
    """
    by_drum: dict[str, list[Trial]] = {}
    for trial in trials:
        by_drum.setdefault(trial.drum, []).append(trial)
    out: dict[str, Audit] = {}
    for drum, tried in by_drum.items():
        levels = sorted({trial.level_dbfs for trial in tried}, reverse=True)
        best: float | None = None
        fewest = sum(trial.heard for trial in tried)  # exceptions if none could be heard
        for level in levels:
            wrong = sum((trial.level_dbfs >= level) != trial.heard for trial in tried)
            if wrong < fewest:
                best, fewest = level, wrong
        out[drum] = Audit(drum, best, len(tried), _sentence(drum, best))
    return out


def _sentence(drum: str, softest: float | None) -> str:
    if softest is None:
        return f"{drum}: even hits at {LEVELS_DBFS[0]:.0f} dBFS would be missed in this bleed."
    if softest <= LEVELS_DBFS[-1]:
        return f"{drum}: hits down to {softest:.0f} dBFS, the softest tried, would be heard."
    return f"{drum}: hits under {softest:.0f} dBFS would be missed in this bleed."


def _mixed(
    job: Job, chosen: Mapping[str, Sequence[Hit]], random: np.random.Generator
) -> tuple[Audio, list[tuple[str, int, float]]]:
    """A copy with soft hits in it, and (drum, sample, level) of each."""
    rate = job.sample_rate_hz
    mixed = job.audio.copy()
    put: list[tuple[str, int, float]] = []
    length = round(LENGTH_S * rate)
    lead = rate // 500
    fade = np.ones(length, dtype=np.float32)
    tail = round(FADE_S * rate)
    fade[-tail:] = np.linspace(1.0, 0.0, tail, dtype=np.float32)
    for drum, hits in chosen.items():
        taken = [hit.sample for hit in job.hits if hit.drum == drum]
        for level in LEVELS_DBFS:
            at = _free(job, taken, random, length)
            if at is None:
                continue
            hit = hits[int(random.integers(len(hits)))]
            assert hit.peak_dbfs is not None
            if level > hit.peak_dbfs:
                continue
            gain = np.float32(10.0 ** ((level - hit.peak_dbfs) / 20.0))
            first = hit.sample - lead - job.first_sample
            piece = job.audio[first : first + length] * fade[:, None]
            start = at - lead - job.first_sample
            mixed[start : start + length] += gain * piece
            taken.append(at)
            put.append((drum, at, level))
    return mixed, put


def _free(job: Job, taken: Sequence[int], random: np.random.Generator, length: int) -> int | None:
    """A moment that is far enough from ``taken``; None where none was found."""
    low = job.first_sample + job.sample_rate_hz // 4
    high = job.first_sample + len(job.audio) - length
    apart = APART_S * job.sample_rate_hz
    for _ in range(200 if high > low else 0):
        at = int(random.integers(low, high))
        if all(abs(at - other) > apart for other in taken):
            return at
    return None


def _hear(job: Job, audio: Audio) -> list[tuple[str, int]]:
    hearing = Hearing(job.kit, job.sample_rate_hz, job.learned)
    rechunk = Rechunk(hearing.chunk, audio.shape[1], 2 * job.sample_rate_hz)
    chunks = rechunk.feed(Block(0, audio))
    chunks += rechunk.pad(job.sample_rate_hz // 2)
    hits = [hit for chunk in chunks for hit in hearing.feed(chunk)] + hearing.finish()
    return [(hit.drum, hit.sample + job.first_sample) for hit in hits if hit.stage != "withdrawn"]
