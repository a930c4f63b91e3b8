"""What is said of a take when it is over: one light, heads that are uneven, the two hands or feet.

Advice between takes only: what cannot wait (a dead microphone, clipping) is an alert of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from liveassist.advise.drift import Creep
from liveassist.advise.tuning import uneven_head
from liveassist.advise.tuning_limbs import fatigue, find_runs, limb_figures
from liveassist.model import Alert, Change, Hit, Kit
from liveassist.remarks import Drift, Forecast, Limbs, Review, TakeVerdict, Uneven

#: Causes after which the next take would be lost work.
_STOPS: Final = frozenset({"mic_fault", "polarity"})
#: A chance of clipping worth a look, and one not to go on with.
LOOK_CHANCE: Final = 0.3
STOP_CHANCE: Final = 0.8
_HEADS: Final = frozenset({"snare", "tom", "kick"})
_USABLE: Final = frozenset({"main", "weak", "unsure"})


def review(
    kit: Kit,
    take: str,
    hits: Sequence[Hit],
    changes: Sequence[Change],
    alerts: Sequence[Alert],
    forecasts: Sequence[Forecast],
    compared: bool,
    drift: Sequence[Drift] = (),
    creeps: Sequence[Creep] = (),
) -> Review:
    """The review of one take.

    ``hits``: its final reports in order; ``alerts``: those that lasted during it; ``compared``:
    whether there was a reference to hold it against; ``drift``: of its heads against that;
    ``creeps``: heads that went slowly over the last takes.
    """
    uneven = tuple(
        found for drum in kit.drums if drum.kind in _HEADS for found in _uneven(drum.name, hits)
    )
    limbs = tuple(found for drum in kit.drums if drum.judged for found in _limbs(drum.name, hits))
    risky = tuple(one for one in forecasts if one.chance >= LOOK_CHANCE)
    pitched = {change.drum for change in changes if change.cause == "head_pitch"}
    slow = [one.sentence for one in creeps if one.drum not in pitched]
    verdict = _verdict(take, changes, alerts, uneven, limbs, risky, slow, compared)
    return Review(verdict, uneven, limbs, tuple(forecasts), tuple(drift))


def _verdict(
    take: str,
    changes: Sequence[Change],
    alerts: Sequence[Alert],
    uneven: Sequence[Uneven],
    limbs: Sequence[Limbs],
    risky: Sequence[Forecast],
    slow: Sequence[str],
    compared: bool,
) -> TakeVerdict:
    """The most urgent thing, in one sentence, and how many more there are."""
    stop = [alert.sentence for alert in alerts if alert.severity == "stop"]
    stop += [change.sentence for change in changes if change.cause in _STOPS]
    stop += [one.sentence for one in risky if one.chance >= STOP_CHANCE]
    look = [change.sentence for change in changes if change.cause not in _STOPS]
    look += slow
    look += [one.sentence for one in risky if one.chance < STOP_CHANCE]
    look += [alert.sentence for alert in alerts if alert.severity == "look"]
    look += [one.sentence for one in uneven]
    look += [one.sentence for one in limbs if one.sentence]
    said = list(dict.fromkeys([*stop, *look]))
    if not said:
        calm = "Nothing changed since the reference." if compared else "Nothing stands out."
        return TakeVerdict(take, "fine", calm)
    more = f" (and {len(said) - 1} more)" if len(said) > 1 else ""
    return TakeVerdict(take, "stop" if stop else "look", said[0] + more)


def _uneven(drum: str, hits: Sequence[Hit]) -> list[Uneven]:
    found = uneven_head(
        [
            hit.measures.partials
            for hit in hits
            if hit.drum == drum and hit.role in _USABLE and hit.measures is not None
        ]
    )
    if found is None:
        return []
    name = drum.replace("_", " ")
    sentence = (
        f"The {name} head is uneven: one mode rings at {found.low_hz:.1f} and {found.high_hz:.1f} "
        f"Hz ({found.difference_hz:.1f} Hz, {found.difference_cents:.0f} cents apart): check the "
        f"lugs (liveassist lug-walk)."
    )
    return [
        Uneven(
            drum, found.low_hz, found.high_hz, found.difference_hz, found.difference_cents,
            found.hits, sentence,
        )
    ]  # fmt: skip


def _limbs(drum: str, hits: Sequence[Hit]) -> list[Limbs]:
    strokes = [
        hit
        for hit in hits
        if hit.drum == drum and hit.peak_dbfs is not None and "clipped" not in hit.flags
    ]
    times = np.array([hit.time_s for hit in strokes], dtype=np.float64)
    levels = np.array([hit.peak_dbfs for hit in strokes], dtype=np.float64)
    found = limb_figures(times, levels) if len(strokes) else None
    if found is None:
        return []
    inside = np.concatenate([levels[a:b] for a, b in find_runs(times)])
    tired = fatigue(inside)
    sentence = _limb_words(drum.replace("_", " "), found.level_db, found.level_change_db)
    if tired is not None and tired.tired:
        sentence = (
            f"The {drum.replace('_', ' ')}'s runs get softer by {-tired.level_change_db:.1f} dB "
            f"over the take: check whether the drummer needs a rest."
        )
    return [
        Limbs(
            drum,
            found.level_db,
            found.level_ci,
            found.timing_ms,
            found.timing_ci,
            found.level_change_db,
            found.timing_change_ms,
            tired.level_change_db if tired is not None else None,
            tired.level_change_ci if tired is not None else None,
            found.strokes,
            sentence,
        )
    ]


#: Differences between hands or feet from which a sentence is worth reading, dB.
WORTH_DB: Final = 2.0


def _limb_words(name: str, level_db: float | None, change_db: float | None) -> str:
    if level_db is None or level_db < WORTH_DB:
        return ""
    grows = f", and it grows by {change_db:.1f} dB" if change_db and change_db >= 1.0 else ""
    return (
        f"Alternate strokes of the {name} differ by {level_db:.1f} dB{grows}: check the weaker "
        f"hand or foot."
    )
