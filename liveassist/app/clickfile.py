"""click.csv: beats of the metronome's channel, beside the hits of a session."""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Sequence
from pathlib import Path

from liveassist.errors import InputError
from liveassist.output.stored import StoredClick
from liveassist.rolling.clickbeats import Run
from liveassist.song import Beat

CLICK_NAME = "click.csv"
#: ``beat`` counts from the first bar of a ``run`` (one start of the metronome), from 0;
#: ``beats_a_bar`` as its accents tell, empty where they do not; ``heard``: 0 where it was bridged.
COLUMNS = ("time_s", "beat", "run", "beats_a_bar", "heard")


def click_csv(runs: Sequence[Run]) -> str:
    """One row a beat, in order of time."""
    out = [",".join(COLUMNS) + "\n"]
    for run in runs:
        run.lay()
        bar = "" if run.metre.beats_a_bar is None else str(run.metre.beats_a_bar)
        out += [
            f"{beat.time_s:.6f},{beat.number},{run.number},{bar},{int(heard)}\n"
            for beat, heard in zip(run.beats, run.heard, strict=True)
        ]
    return "".join(out)


def read_click(path: Path) -> StoredClick | None:
    """What `click_csv` wrote; None if there is no such file. InputError where it is damaged."""
    if not path.is_file():
        return None
    beats, metres = list[Beat](), dict[int, int | None]()
    try:
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline=""))
        for row in rows:
            time_s, run = float(row["time_s"]), int(row["run"])
            bar = int(row["beats_a_bar"]) if row["beats_a_bar"] else None
            if not math.isfinite(time_s) or (bar is not None and bar < 1):
                raise ValueError
            beats.append(Beat(int(row["beat"]), time_s, run))
            metres[run] = bar
        if any(later.time_s <= beat.time_s for beat, later in itertools.pairwise(beats)):
            raise ValueError
    except (KeyError, TypeError, ValueError):  # UnicodeDecodeError is a ValueError
        raise InputError(f"{path}: this is not what liveassist wrote there; remove it") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    return StoredClick(tuple(beats), metres) if beats else None
