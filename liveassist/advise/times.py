"""Times of an expander that a drum asks for: how fast its strokes rise, how long they are held."""

from __future__ import annotations

import numpy as np

from liveassist.advise.history import Envelope
from liveassist.advise.scene import Scene
from liveassist.ranks import median, quantile

#: By this long after a main hit the gain should be nearly down again, or fast passages let
#: everything through (sixteenths at 136 beats a minute are 110 ms apart). Where the playing is
#: faster, so must the expander be: this share of the shorter gaps (their lower quartile).
_RECOVERED_S: dict[str, float] = {"natural": 0.110, "tight": 0.080, "keep-ghosts": 0.110}
_RECOVERED_GAP, _LEAST_RECOVERED_S = 0.85, 0.050
#: Half a period of the lowest note the detector sees, with some to spare: 40 Hz where a high-pass
#: keeps the lows out, or 25 Hz beating of a kick's modes against one another.
LEAST_HOLD_MS, LEAST_LOW_HOLD_MS = 12.0, 20.0
_MOST_HOLD_MS = 80.0
_LEAST_RELEASE_MS, _MOST_RELEASE_MS = 20.0, 300.0
#: Hold and release tried first, as shares of the ring (its T60), and how much shorter then.
_HOLD_SHARE, _RELEASE_SHARE = 0.12, 0.25
_SHORTER = (1.0, 0.7, 0.5, 0.35, 0.25, 0.17, 0.12)


def holds_and_releases(
    ring_ms: float, scale: float, least_hold_ms: float
) -> list[tuple[float, float]]:
    """Pairs of hold and release worth trying for a drum that rings ``ring_ms``, longest first."""
    pairs = []
    for factor in _SHORTER:
        hold = round(ring_ms * _HOLD_SHARE * factor * scale)
        release = round(ring_ms * _RELEASE_SHARE * factor * scale, -1)
        pairs.append(
            (
                float(np.clip(hold, least_hold_ms, _MOST_HOLD_MS)),
                float(np.clip(release, _LEAST_RELEASE_MS, _MOST_RELEASE_MS)),
            )
        )
    return pairs


def rise_and_lag(scene: Scene, key: Envelope, threshold_dbfs: float) -> tuple[float, float]:
    """Median rise of main hits to their peak, and the 98th percentile of the time from onset to
    the threshold in ``key``, behind the key filter; both in ms, to whole hops.

    Hits that do not reach the threshold within 20 ms count as 0: no look-ahead helps those.
    """
    reach = scene.hops(0.020)
    at = scene.own[scene.main]
    at = at[at + reach < scene.size]
    heard = scene.envelope()
    ms = 1000.0 / scene.hops_per_second
    if not at.size:
        return ms, ms
    rows = at[:, None] + np.arange(reach)
    own, over = heard[rows], key[rows] >= 10.0 ** (threshold_dbfs / 20.0)
    rises = np.argmax(own >= np.float32(0.7) * own.max(axis=1, keepdims=True), axis=1) + 1
    lags = np.where(over.any(axis=1), np.argmax(over, axis=1) + 1, 0)
    return ms * median(rises), ms * quantile(lags, 0.98)


def recovered_s(scene: Scene, aim: str) -> float:
    """By when after a main hit the gain should be nearly down, seconds."""
    if scene.own.size < 2:
        return _RECOVERED_S[aim]
    gap_s = quantile(np.diff(scene.own), 0.25) / scene.hops_per_second
    return min(_RECOVERED_S[aim], max(_LEAST_RECOVERED_S, _RECOVERED_GAP * gap_s))
