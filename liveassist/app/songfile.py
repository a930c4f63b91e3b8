"""clock.csv: beats and time code of the recorder, beside the hits of a session."""

from __future__ import annotations

import bisect
import csv
import io
import itertools
import math
from collections.abc import Sequence
from pathlib import Path

from liveassist.errors import InputError
from liveassist.output.stored import StoredSong
from liveassist.song import Beat, Code

CLOCK_NAME = "clock.csv"
#: ``beat`` counts from the start of the song, from 0; ``run``: a number for each start of the
#: clock.
COLUMNS = ("time_s", "beat", "beats_a_bar", "run", "time_code_s", "frames_per_s")


class ClockRows:
    """Text of the file, which grows: asked for every few seconds, only what is new is worked out.

    Rows of one kind are in order of time; a beat is placed a beat late, so a code of the same
    moment may stand before it. At most ``most`` rows are kept, the oldest fall out.
    """

    def __init__(self, most: int = 100_000) -> None:
        self._most = most
        self._rows: list[str] = []
        self._beats_to_s = self._codes_to_s = -math.inf

    def text(self, beats: Sequence[Beat], codes: Sequence[Code], beats_a_bar: int) -> str:
        """The whole file, ``beats`` and ``codes`` being all that are known, in order of time."""
        new_beats = beats[bisect.bisect_right(beats, self._beats_to_s, key=lambda b: b.time_s) :]
        new_codes = codes[bisect.bisect_right(codes, self._codes_to_s, key=lambda c: c.time_s) :]
        if new_beats:
            self._beats_to_s = new_beats[-1].time_s
        if new_codes:
            self._codes_to_s = new_codes[-1].time_s
        if new_beats or new_codes:
            more = clock_csv(new_beats, new_codes, beats_a_bar).splitlines(keepends=True)[1:]
            self._rows += more
        if len(self._rows) > 1.1 * self._most:
            del self._rows[: -self._most]
        return ",".join(COLUMNS) + "\n" + "".join(self._rows)


def clock_csv(beats: Sequence[Beat], codes: Sequence[Code], beats_a_bar: int) -> str:
    """Beats and time codes in order of time: one row each, what it is not left empty."""
    bar = str(beats_a_bar)
    rows = [
        (beat.time_s, f"{beat.time_s:.6f}", str(beat.number), bar, str(beat.run), "", "")
        for beat in beats
    ]
    rows += [
        (code.time_s, f"{code.time_s:.6f}", "", "", "", f"{code.code_s:.6f}",
         f"{code.frames_per_s:.9g}")
        for code in codes
    ]  # fmt: skip
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(row[1:] for row in sorted(rows))
    return out.getvalue()


def read_song(path: Path) -> StoredSong | None:
    """What `clock_csv` wrote; None if there is no such file. InputError where it is damaged."""
    if not path.is_file():
        return None
    beats, codes, beats_a_bar = list[Beat](), list[Code](), 4
    try:
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline=""))
        for row in rows:
            time_s = _finite(row["time_s"])
            if row["beat"]:
                beats.append(Beat(int(row["beat"]), time_s, int(row["run"])))
                beats_a_bar = int(row["beats_a_bar"])
            else:
                rate = _finite(row["frames_per_s"])
                codes.append(Code(time_s, _finite(row["time_code_s"]), rate))
        steps = [later.time_s - beat.time_s for beat, later in itertools.pairwise(beats)]
        if beats_a_bar < 1 or min(steps, default=1.0) <= 0.0:
            raise ValueError
    except (KeyError, TypeError, ValueError):  # UnicodeDecodeError is a ValueError
        raise InputError(f"{path}: this is not what liveassist wrote there; remove it") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    return StoredSong(tuple(beats), tuple(codes), beats_a_bar)


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value
