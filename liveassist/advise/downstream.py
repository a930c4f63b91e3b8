"""What an expander does to the figures that matter after it, and pictures to choose by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from liveassist.advise import predict
from liveassist.advise.expander import ExpanderSettings
from liveassist.advise.history import Envelope
from liveassist.advise.predict import Outcome, aligned_gain, key_band
from liveassist.advise.scene import Scene, background_levels, hit_levels, span_peaks
from liveassist.model import FloatArray


@dataclass(frozen=True, slots=True)
class Levels:
    """Of one microphone, before or after the expander. None where too few hits."""

    main_spread_db: float | None
    ghost_distance_db: float | None
    between_dbfs: float | None


@dataclass(frozen=True, slots=True)
class Downstream:
    """Main spread (standard deviation), ghosts below mains (medians), and the level between hits
    (median of 100 ms peaks with no own hit sounding), before and after."""

    before: Levels
    after: Levels

    @property
    def sentence(self) -> str | None:
        """What a compressor behind the expander will meet; None without ghosts."""
        before, after = self.before.ghost_distance_db, self.after.ghost_distance_db
        if before is None or after is None:
            return None
        if after - before > 3.0:
            return (
                f"ghosts fall from {before:.0f} to {after:.0f} dB under the main hits: "
                "compression will bring back less of them"
            )
        return f"ghosts stay {after:.0f} dB under the main hits: compression will lift them"


def downstream(scene: Scene, settings: ExpanderSettings, key: Envelope | None = None) -> Downstream:
    """Run ``settings`` over ``scene`` and compare levels before and after."""
    key = scene.envelope(key_band(settings)) if key is None else key
    heard = scene.envelope()
    processed = heard * 10.0 ** (aligned_gain(scene, settings, key) / 20.0)
    return Downstream(_levels(scene, heard), _levels(scene, processed))


def _levels(scene: Scene, envelope: Envelope) -> Levels:
    own = hit_levels(scene, envelope)
    main, ghost = own[scene.main], own[scene.ghost]
    between = background_levels(scene, envelope, 0.25)
    return Levels(
        main_spread_db=float(np.std(main, ddof=1)) if main.size >= 8 else None,
        ghost_distance_db=float(np.median(main) - np.median(ghost))
        if main.size >= 5 and ghost.size >= 5
        else None,
        between_dbfs=float(np.median(between)) if between.size >= 5 else None,
    )


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts of levels behind the key filter; ``edges_dbfs`` has one entry more than each count."""

    edges_dbfs: FloatArray
    main: tuple[int, ...]
    ghost: tuple[int, ...]
    bleed: tuple[int, ...]


def histogram(scene: Scene, settings: ExpanderSettings, step_db: float = 1.5) -> Histogram:
    """Levels of main hits, ghosts and foreign hits as the detector of ``settings`` sees them."""
    envelope = scene.envelope(key_band(settings))
    own = hit_levels(scene, envelope)
    bleed = span_peaks(envelope, scene.foreign - 1, scene.foreign_end)
    parts = (own[scene.main], own[scene.ghost], bleed)
    everything = np.concatenate(parts)
    low = max(-90.0, float(everything.min())) if everything.size else -60.0
    edges = np.arange(np.floor(low / step_db) * step_db, step_db + 1e-9, step_db)
    counts = [np.histogram(part, edges)[0] for part in parts]
    main, ghost, foreign = (tuple(int(n) for n in count) for count in counts)
    return Histogram(edges, main, ghost, foreign)


def sweep(
    scene: Scene, settings: ExpanderSettings, thresholds_dbfs: Sequence[float]
) -> list[Outcome]:
    """What ``settings`` would do at each threshold: pass and opening rates to choose by."""
    key = scene.envelope(key_band(settings))
    return [
        predict.run(scene, replace(settings, threshold_dbfs=threshold), key)
        for threshold in thresholds_dbfs
    ]
