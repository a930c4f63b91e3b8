"""clock.csv: beats and time code of the recorder, beside the hits of a session."""

from __future__ import annotations

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
