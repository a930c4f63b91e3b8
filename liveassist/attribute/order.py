"""Find out by itself in which order a soundcheck was played, where nobody says.

Drums with their own microphone are found by it: a stretch of strokes in which one own microphone
is nearer to its loudest of the whole soundcheck than any other belongs to its drum. Drums without
one cannot be told apart by name and are left out (say their segments to have them learned).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liveassist.model import Kit
from liveassist.spectra import Grid

Audio = npt.NDArray[np.float32]

#: Level is read over pieces of this length, s; a stroke rings through several.
PIECE_S = 0.05
#: A drum's turn lasts while its strokes follow each other within this, s.
PAUSE_S = 2.0
#: Strokes quieter than this against the microphone's loudest say nothing, dB.
QUIET_DB = -30.0
LEAST_STROKES = 3


def find_segments(kit: Kit, grid: Grid, audio: Audio) -> list[tuple[str, float, float]]:
    """Stretches (drum, start_s, end_s) in which each owned drum was played alone."""
    drums = [drum for drum in kit.drums if drum.own is not None]
    if not drums or not len(audio):
        return []
    piece = round(PIECE_S * grid.sample_rate_hz)
    count = max(1, len(audio) // piece)
    columns = [kit.mic_index(drum.own or "") for drum in drums]
    loud = np.stack(
        [
            np.abs(audio[number * piece : (number + 1) * piece, columns]).max(axis=0)
            for number in range(count)
        ]
    )
    level = 20.0 * np.log10(loud + 1e-9)
    # A fresh stroke: louder by 6 dB than the loudest of the two pieces before.
    past = np.full_like(level, -180.0)
    past[1:] = level[:-1]
    past[2:] = np.maximum(past[2:], level[:-2])
    relative = level - level.max(axis=0)
    best = relative.argmax(axis=1)
    at = np.arange(count)
    stroke = (level[at, best] > past[at, best] + 6.0) & (relative[at, best] > QUIET_DB)
    segments: list[tuple[str, float, float]] = []
    strokes = np.nonzero(stroke)[0]
    start = 0
    while start < len(strokes):
        stop = start + 1
        while (
            stop < len(strokes)
            and best[strokes[stop]] == best[strokes[start]]
            and (strokes[stop] - strokes[stop - 1]) * PIECE_S <= PAUSE_S
        ):
            stop += 1
        if stop - start >= LEAST_STROKES:
            first = (strokes[start] - 2) * PIECE_S
            last = (strokes[stop - 1] + 1) * PIECE_S + 0.5
            if stop < len(strokes):
                last = min(last, (strokes[stop] - 1) * PIECE_S)
            segments.append((drums[int(best[strokes[start]])].name, max(0.0, first), last))
        start = stop
    return segments
