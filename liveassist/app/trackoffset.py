"""`liveassist track-offset`: how much louder the recorded track is than what the tool heard.

Thresholds hold only where both share a gain point; this measures what lies between them, for
``track_offset_db`` in the kit profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

from liveassist.advise.render import track_offset
from liveassist.errors import InputError
from liveassist.model import FloatArray

#: This much from the start of each file is compared, s: enough for hundreds of hits, and finding
#: where the two fit takes memory.
COMPARED_S = 60.0
#: An interval wider than this says that something other than a gain lies between them, dB.
_TOO_WIDE_DB = 1.0


@dataclass(frozen=True, slots=True)
class TrackOffsetRequest:
    """``heard``: what came in here; ``track``: the same microphone in the recorder. Channels count
    from 1 and are needed only where a file holds several."""

    heard: Path
    track: Path
    heard_channel: int | None = None
    track_channel: int | None = None


def measure_track_offset(request: TrackOffsetRequest, out: TextIO) -> int:
    """Print the offset; 0. InputError where the files cannot be compared."""
    heard, rate = _read(request.heard, request.heard_channel, "--heard-channel")
    track, other = _read(request.track, request.track_channel, "--track-channel")
    if rate != other:
        raise InputError(
            f"{request.track}: runs at {other} Hz, {request.heard} at {rate} Hz; export one of "
            "them at the rate of the other"
        )
    found = track_offset(heard, track, rate)
    low, high = found.ci
    later = found.delay_samples
    place = f"{abs(later)} samples {'later' if later >= 0 else 'earlier'}"
    print(f"track_offset_db = {found.offset_db:.1f}", file=out)
    print(
        f"The track is {found.offset_db:+.2f} dB against what was heard (95 % interval "
        f"{low:+.2f} to {high:+.2f} dB, from {found.hops} loud stretches of 5 ms), and {place}.",
        file=out,
    )
    if high - low > _TOO_WIDE_DB:
        print(
            "The two differ by more than a gain: compressed, equalised or not the same take? A "
            "threshold will not carry over exactly.",
            file=out,
        )
    else:
        print("Put the first line under that microphone in the kit profile.", file=out)
    return 0


def _read(path: Path, channel: int | None, option: str) -> tuple[FloatArray, int]:
    import soundfile

    if not path.is_file():
        raise InputError(f"{path}: there is no such file")
    try:
        with soundfile.SoundFile(path) as file:
            rate = int(file.samplerate)
            audio = file.read(round(COMPARED_S * rate), dtype="float64", always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        reason = str(error).rpartition(": ")[2].rstrip(".")
        raise InputError(f"{path}: cannot be read as audio ({reason})") from None
    if channel is None and audio.shape[1] > 1:
        raise InputError(
            f"{path}: holds {audio.shape[1]} channels; say which with {option} N, counted from 1"
        )
    column = (channel or 1) - 1
    if column >= audio.shape[1]:
        raise InputError(f"{path}: {option} {column + 1}: it holds {audio.shape[1]} channel(s)")
    one = np.asarray(audio[:, column], dtype=np.float64)
    if not np.isfinite(one).all():
        raise InputError(f"{path}: holds samples that are no numbers; export it again")
    return one, rate
