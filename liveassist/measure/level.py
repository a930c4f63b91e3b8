"""Time and level of one hit alone, when other things sound in the same microphone.

The share of the hit in each window and band (from attribution) is applied as a mask to short-time
spectra and the waveform put back together (overlap-add, Hann windows at half a window's hop sum
to one: J. B. Allen and L. R. Rabiner, Proc. IEEE 65(11), 1977). Where the hit has nearly all of
the power the waveform is used as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import fft as sp_fft

from liveassist.spectra import Grid
from liveassist.units import amplitude_to_dbfs

Audio = npt.NDArray[np.float32]

#: Span after the onset in which the peak is looked for, s.
PEAK_SPAN_S = 0.040
#: The onset is the first sample that reaches this part of the peak.
ONSET_PART = 0.1
#: Windows around the onset in sixteenths of a window, half a window apart.
MASK_STARTS = np.arange(-32, 64, 8, dtype=np.int64)
#: How far the onset may lie from the candidate, sixteenths of a window (7 ms).
SLACK = 10
#: Power the mask is raised to for the onset: 95th percentile of the error 1.05 and 0.89 ms on the
#: two recorded sessions with most bleed, against 1.96 and 1.61 ms with the plain mask.
HARDER = 4
#: Quiet this long before a stroke parts it from what came before, of `PEAK_SPAN_S` (6 ms).
PART = 0.15
#: Share of power from which the waveform is left as it is (0.13 dB).
WHOLE = 0.97


@dataclass(frozen=True, slots=True)
class Alone:
    """One hit alone: onset sample (relative to the row given), peaks in dBFS per microphone."""

    onset: int
    peaks_dbfs: tuple[float, ...]
    heard_dbfs: tuple[float, ...]
    shares: tuple[float, ...]


def separate(grid: Grid, audio: Audio, row: int, mask: npt.NDArray[np.float32]) -> Audio:
    """The hit's own waveform from ``row + MASK_STARTS[2]*fine``, shape (samples, mics).

    ``mask``: (len(MASK_STARTS), mics, BANDS) in 0..1. Valid where two windows overlap.
    """
    starts = row + MASK_STARTS * grid.fine
    turned = audio.T
    frames = np.empty((len(starts), turned.shape[0], grid.window), dtype=np.float32)
    for number, start in enumerate(starts.tolist()):
        frames[number] = turned[:, start : start + grid.window]
    # A periodic Hann window sums to exactly one at half a window's hop.
    frames *= _taper(grid.window)
    spectra = sp_fft.rfft(frames, axis=-1, overwrite_x=True)
    # Powers add: a share p of the power is a share of sqrt(p) in amplitude.
    spectra *= np.sqrt(mask) @ _spread(grid)
    pieces = sp_fft.irfft(spectra, n=grid.window, axis=-1, overwrite_x=True)
    half = grid.window // 2
    out = np.zeros((turned.shape[0], (len(starts) + 1) * half), dtype=np.float32)
    for number, piece in enumerate(pieces):
        out[:, number * half : number * half + grid.window] += piece
    return out.T


@cache
def _taper(window: int) -> npt.NDArray[np.float32]:
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)
    return taper.astype(np.float32)


_SPREADS: dict[int, npt.NDArray[np.float32]] = {}


def _spread(grid: Grid) -> npt.NDArray[np.float32]:
    """Bands to bins: each bin takes the mask of its band; outside the bands the nearest."""
    spread = _SPREADS.get(grid.sample_rate_hz)
    if spread is None:
        matrix = grid.matrix.T.copy()
        empty = matrix.sum(axis=0) == 0
        covered = np.nonzero(~empty)[0]
        for number in np.nonzero(empty)[0]:
            matrix[:, number] = matrix[:, covered[np.argmin(np.abs(covered - number))]]
        spread = _SPREADS[grid.sample_rate_hz] = (matrix / matrix.sum(axis=0)).astype(np.float32)
    return spread


def measure_alone(
    grid: Grid,
    audio: Audio,
    row: int,
    mask: npt.NDArray[np.float32],
    power: npt.NDArray[np.float32],
    own: int,
    woken_early: bool = False,
    least_share: float = 0.0,
) -> Alone:
    """Onset and peaks of the hit near ``row`` (within a few ms) of ``audio`` (samples, mics).

    ``power``: band powers heard at the mask's windows (same shape), which say where the mask
    matters. ``own``: column of the hit's own microphone. ``woken_early``: the candidate may be a
    hat just before the stroke, which no mask takes off. ``least_share``: in other microphones with
    less of the power than this the peak is only what was heard.
    """
    half, fine = grid.window // 2, grid.fine
    first = row + int(MASK_STARTS[0]) * fine
    span = round(PEAK_SPAN_S * grid.sample_rate_hz)
    part = (mask * power).sum(axis=(0, 2)) / (power.sum(axis=(0, 2)) + 1e-30)
    raw = audio[first : first + (len(MASK_STARTS) + 1) * half]
    own_wave = raw[:, own]
    # Worked out only where it says something: that is most of the work of a hit.
    parted = [
        column
        for column, share in enumerate(part.tolist())
        if share < WHOLE and (share >= least_share or column == own)
    ]
    alone = raw[:, :0]
    if parted:
        wanted = mask[:, parted]
        columns = parted
        if own in parted:
            # For the onset a harder mask: what is not surely the hit's would be taken for its
            # beginning.
            columns = [*parted, own]
            wanted = np.concatenate([wanted, mask[:, own : own + 1] ** HARDER], axis=1)
        alone = separate(grid, audio[:, columns], row, wanted)
        if own in parted:
            own_wave, alone = alone[:, -1], alone[:, :-1]
    # Both windows must overlap for the sum to be right: skip the first half window.
    find = _onset_behind if woken_early else _onset
    onset = find(own_wave[half:], row - first - half, span, SLACK * fine) + half
    heard = np.abs(raw[onset : onset + span]).max(axis=0)
    peaks = heard.copy()
    if parted:
        mine = np.abs(alone[onset : onset + span]).max(axis=0)
        peaks[parted] = np.minimum(mine, heard[parted])
    return Alone(
        onset=first + onset - row,
        peaks_dbfs=tuple(amplitude_to_dbfs(float(value)) for value in peaks),
        heard_dbfs=tuple(amplitude_to_dbfs(float(value)) for value in heard),
        shares=tuple(float(value) for value in part),
    )


def _onset(wave: Audio, guess: int, span: int, slack: int) -> int:
    """First sample that reaches a tenth of the peak, looked for within ``slack`` of ``guess``."""
    start = max(0, guess - slack)
    size = np.abs(wave[start : guess + span])
    if not len(size) or size.max() <= 0.0:
        return guess
    onset = int(np.argmax(size >= ONSET_PART * size.max()))
    # The peak counts from the onset, so that a louder stroke after the span does not set it.
    peak = size[onset : onset + span].max()
    return start + int(np.argmax(size >= ONSET_PART * peak))


def _onset_behind(wave: Audio, guess: int, span: int, slack: int) -> int:
    """As `_onset`, but from where the stroke is half as loud as it gets, back to the quiet
    before it: what sounds just before is then not taken for its beginning."""
    start = max(0, guess - slack)
    size = np.abs(wave[start : guess + span])
    if not len(size) or size.max() <= 0.0:
        return guess
    peak = size.max()
    half = int(np.argmax(size >= 0.5 * peak))
    loud = np.nonzero(size[: half + 1] >= ONSET_PART * peak)[0]
    gaps = np.nonzero(np.diff(loud) > PART * span)[0]
    return start + int(loud[gaps[-1] + 1] if len(gaps) else loud[0])


__all__ = ["MASK_STARTS", "Alone", "measure_alone", "separate"]
