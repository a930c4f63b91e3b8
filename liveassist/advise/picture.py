"""The picture to choose a threshold by: levels at the detector, and what thresholds would do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from liveassist.advise import predict
from liveassist.advise.downstream import histogram
from liveassist.advise.expander import ExpanderSettings
from liveassist.advise.history import FULL_BAND
from liveassist.advise.scene import Scene, hit_levels
from liveassist.advise.sidechain import Sidechain
from liveassist.model import ExpanderPicture, ExpanderRate
from liveassist.ranks import median
from liveassist.steps import Steps

#: Thresholds tried: this far around the chosen one, in these steps, dB.
RATES_SPAN_DB, RATES_STEP_DB = 12.0, 1.0
#: For a screen, in steps of this many dB, histogram and rates; it takes so many steps to draw.
COARSE_DB = 2.0
DRAWN_STEPS = 2 + int(2.0 * RATES_SPAN_DB / COARSE_DB)


def rates(
    scene: Scene, settings: ExpanderSettings, side: Sidechain, step_db: float = RATES_STEP_DB
) -> Steps[list[ExpanderRate]]:
    """Rates around the chosen threshold, no further than main hits and threshold reach. There are
    main hits in ``scene``."""
    loudest = float(np.max(hit_levels(scene, side.key)[scene.main]))
    middle = settings.threshold_dbfs
    found = []
    for threshold in (middle + np.arange(-RATES_SPAN_DB, RATES_SPAN_DB + 0.1, step_db)).tolist():
        yield
        if threshold > max(loudest, middle) + 2.0:
            continue
        at = replace(settings, threshold_dbfs=threshold)
        run = predict.run(scene, at, side, brief=True)
        cut = run.foreign_cut_db
        found.append(
            ExpanderRate(
                threshold,
                run.main_passed if run.passed.size else None,
                run.openings_per_min,
                median(cut) if cut.size else None,
            )
        )
    return found


def draw(scene: Scene, settings: ExpanderSettings) -> Steps[ExpanderPicture | None]:
    """The picture in coarse steps; None where the key filter was not tried while listening."""
    yield
    band = predict.key_band(settings)
    if band != FULL_BAND and band not in scene.bands:
        return None
    levels = histogram(scene, settings, COARSE_DB)
    side = Sidechain(scene.envelope(band), scene.hops_per_second)
    tried = yield from rates(scene, settings, side, COARSE_DB)
    return ExpanderPicture(
        tuple(levels.edges_dbfs.tolist()), levels.main, levels.ghost, levels.bleed, tuple(tried)
    )
