"""What a drum looks like in every microphone: learned hits as band powers on a fine time grid.

An *exemplar* is one hit (or the mean of several like ones) of one drum alone: band powers in
every microphone at window starts from `BEFORE` to `AFTER` sixteenths of a window around its
onset, scaled so that its loudest window in its own microphone has power 1. Dense near the
onset, four times sparser in the tail.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from liveassist.attribute.corrections import Correction
from liveassist.errors import InputError
from liveassist.ranks import median, quantiles
from liveassist.spectra import BANDS, Grid, Power

#: Window starts kept, in sixteenths of a window (0.73 ms) relative to the onset.
BEFORE, DENSE, AFTER, SPARSE = -52, 64, 320, 4
STARTS = np.concatenate([np.arange(BEFORE, DENSE), np.arange(DENSE, AFTER, SPARSE)]).astype(
    np.int64
)
_ROW = np.zeros(AFTER - BEFORE, dtype=np.int64)
for _row, _start in enumerate(STARTS):
    _step = 1 if _start < DENSE else SPARSE
    _ROW[_start - BEFORE : _start - BEFORE + _step] = _row
FORMAT = 1
#: Quantile over strokes taken for a drum's bleed where it was not learned alone; band by band too,
#: where levels are taken apart: what others did there can only have added. Bleed of recorded
#: drums with no soundcheck, 90th percentile of its error but for the fastest session: 6.2 dB as
#: learned, 5.0 so. (A fifth gives 4.7, but reads a gain turned by 5 dB as 3.8 in the demo.)
COMMON = 0.35


def rows_at(
    samples: npt.NDArray[np.int64], fine: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Rows of an exemplar nearest to window starts in samples after the onset, and whether they
    lie within what is kept."""
    at = np.rint(samples / fine).astype(np.int64) - BEFORE
    inside = (at >= 0) & (at < len(_ROW))
    return _ROW[np.minimum(np.maximum(at, 0), len(_ROW) - 1)], inside


@dataclass(slots=True)
class Signature:
    """Exemplars of one drum, shape (exemplars, len(STARTS), mics, BANDS), and their powers.

    ``power[i]``: loudest-window power of exemplar i in the reference microphone ``mic``.
    ``solid``: learned from the drum alone, not from strokes of a song. Those are seldom alone:
    ``common_db`` then holds the power in every microphone, against the own one, that most of them
    have in common; what exceeds it is likely another's doing. ``cleaned`` is ``exemplars``
    without that, for taking levels apart; hits are told by ``exemplars``.
    """

    drum: str
    mic: int
    exemplars: Power
    power: npt.NDArray[np.float64]
    solid: bool = True
    common_db: npt.NDArray[np.float64] | None = None
    cleaned: Power | None = None
    #: Median power of the learned hits: the scale on which a hit is loud or soft.
    usual_power: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Work out what is asked for at every candidate."""
        self.usual_power = median(self.power)

    def for_levels(self) -> Power:
        """The exemplars as they are used to take levels apart."""
        return self.exemplars if self.cleaned is None else self.cleaned

    def seen_at(self, offset: int, slabs: npt.NDArray[np.int64], fine: int) -> Power:
        """Band powers in windows starting at ``slabs`` samples when the hit is at ``offset``.

        Returns (exemplars, slabs, mics, BANDS); zero before the hit.
        """
        rows, inside = rows_at(slabs - offset, fine)
        seen = self.exemplars[:, rows]
        if not inside.all():
            seen = seen * inside[None, :, None, None]
        return np.asarray(seen, dtype=np.float32)


@dataclass(slots=True)
class Learned:
    """All that a soundcheck taught: one signature a drum, the noise floor, and for which kit."""

    mics: tuple[str, ...]
    noise: Power
    signatures: dict[str, Signature] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    #: What a person said of single hits.
    corrections: list[Correction] = field(default_factory=list)

    def save(self, file: BinaryIO) -> None:
        """Write to an open ``file`` (numpy archive, no code inside)."""
        arrays: dict[str, npt.NDArray[np.generic]] = {"noise": self.noise}
        about: dict[str, Any] = {
            "format": FORMAT,
            "mics": list(self.mics),
            "notes": self.notes,
            "drums": [
                {"name": s.drum, "mic": s.mic, "solid": s.solid} for s in self.signatures.values()
            ],
        }
        if self.corrections:
            arrays["corrections"] = np.stack([item.print_db for item in self.corrections])
            about["corrections"] = [
                [item.drum, item.hit, item.level_db, item.reach_db] for item in self.corrections
            ]
        for number, signature in enumerate(self.signatures.values()):
            arrays[f"exemplars_{number}"] = signature.exemplars
            arrays[f"power_{number}"] = signature.power
        arrays["about"] = np.frombuffer(json.dumps(about).encode(), dtype=np.uint8)
        np.savez(file, **arrays)  # type: ignore[arg-type]

    @classmethod
    def load(cls, file: BinaryIO, name: str) -> Learned:
        """Read what `save` wrote; InputError in one sentence, with ``name``, if it is not that."""
        try:
            with np.load(file, allow_pickle=False) as data:
                about = json.loads(bytes(data["about"]).decode())
                if about.get("format") != FORMAT:
                    raise ValueError(f"format {about.get('format')!r} is not {FORMAT}")
                learned = cls(tuple(about["mics"]), np.asarray(data["noise"], np.float32))
                learned.notes = dict(about["notes"])
                for number, row in enumerate(about.get("corrections", ())):
                    prints = np.asarray(data["corrections"][number], np.float32)
                    if prints.shape != (len(learned.mics), BANDS):
                        raise ValueError("its corrections have another shape")
                    learned.corrections.append(
                        Correction(str(row[0]), bool(row[1]), prints, float(row[2]), float(row[3]))
                    )
                for number, entry in enumerate(about["drums"]):
                    exemplars = np.asarray(data[f"exemplars_{number}"], np.float32)
                    if exemplars.shape[1:] != (len(STARTS), len(learned.mics), BANDS):
                        raise ValueError("its arrays have another shape")
                    learned.signatures[entry["name"]] = Signature(
                        entry["name"],
                        int(entry["mic"]),
                        exemplars,
                        np.asarray(data[f"power_{number}"], np.float64),
                        bool(entry["solid"]),
                    )
                return learned
        except Exception as error:
            raise InputError(
                f"{name} is not a file that liveassist soundcheck wrote ({error}); "
                "run the soundcheck again"
            ) from error

    def check(self, mics: Sequence[str]) -> None:
        """InputError if this was learned on other microphones than ``mics``."""
        if tuple(mics) != self.mics:
            raise InputError(
                "what was learned belongs to a kit with the microphones "
                f"{', '.join(self.mics)}, not {', '.join(mics)}; run the soundcheck again"
            )


def exemplar(
    grid: Grid, audio: npt.NDArray[np.float32], onset: int, noise: Power, until: int | None = None
) -> Power:
    """Band powers of the hit at sample ``onset`` of ``audio``, shape (len(STARTS), mics, BANDS).

    Steady ``noise`` is taken off. Windows that reach past ``until`` (where the next hit begins)
    are filled by letting the last clean one decay at 60 dB in 0.4 s, a middling drum.
    """
    starts = onset + STARTS * grid.fine
    need_before = max(0, -int(starts[0]))
    need_after = max(0, int(starts[-1]) + grid.window - len(audio))
    if need_before or need_after:
        audio = np.pad(audio, ((need_before, need_after), (0, 0)))
        starts = starts + need_before
    heard = len(starts)
    if until is not None:
        limit = until + need_before - grid.window
        heard = max(1, int(np.searchsorted(starts, limit, side="right")))
    power = grid.at(audio, starts[:heard])
    clean = np.empty((len(starts), *noise.shape), dtype=np.float32)
    np.maximum(power - noise, 0.02 * np.minimum(power, noise), out=clean[:heard])
    if heard < len(starts):
        gone_s = (starts[heard:] - starts[heard - 1]) / grid.sample_rate_hz
        clean[heard:] = clean[heard - 1] * (10.0 ** (-6.0 * gone_s / 0.4))[:, None, None]
    return clean


def gather(
    drum: str, mic: int, hits: Sequence[Power], groups: int = 3, solid: bool = True
) -> Signature:
    """A signature from exemplars of single hits: sorted by power into ``groups`` and averaged."""
    loudest = np.stack([hit.sum(axis=2).max(axis=0) for hit in hits]).astype(np.float64) + 1e-30
    power = loudest[:, mic]
    order = np.argsort(power)
    scaled = np.empty((len(hits), *hits[0].shape), dtype=np.float32)
    for one, hit, size in zip(scaled, hits, power.astype(np.float32), strict=True):
        np.divide(hit, size, out=one)
    parts = [part for part in np.array_split(order, min(groups, len(order))) if len(part)]
    exemplars = _means(scaled, parts)
    common, cleaned = None, None
    if not solid:
        most = quantiles(scaled, COMMON)
        most[:, mic] = np.inf
        cleaned = _means(np.minimum(scaled, most, out=scaled), parts)
        relative = 10.0 * np.log10(loudest / loudest[:, mic : mic + 1])
        common = quantiles(relative, COMMON)
    return Signature(drum, mic, exemplars, power[order], solid, common, cleaned)


def _means(scaled: Power, parts: Sequence[npt.NDArray[np.intp]]) -> Power:
    """Mean of each of the ``parts`` of the hits."""
    means = np.empty((len(parts), *scaled.shape[1:]), dtype=np.float32)
    for mean, part in zip(means, parts, strict=True):
        mean[...] = scaled[part[0]]
        for hit in part[1:].tolist():
            mean += scaled[hit]
        mean /= len(part)
    return means
