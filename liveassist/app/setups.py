"""`liveassist save-setup` and `restore-check`: how it was, under a name, and what differs today."""

from __future__ import annotations

import json
import math
import os
import re
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO, cast

import numpy as np

from liveassist.advise.restore import Pair, Setup, steps
from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.nearest import did_you_mean
from liveassist.app.sessionfolder import read_session
from liveassist.errors import ConfigError, InputError
from liveassist.model import Interval
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession

#: Main hits of each drum that say how it is now: the last ones, so that a turn of a key shows.
LAST_HITS = 24
#: Fewest of them for a level, and for a note or ring, whose single readings wander more.
LEAST_HITS, LEAST_TONES = 5, 8
#: How often a running session is looked at, s.
FOLLOW_S = 2.0
#: Bleed is told apart better where a soundcheck taught the drums; the two are not quite alike.
_HEARD = {True: "with a soundcheck learned", False: "without a soundcheck"}
_UNLIKE = (
    "Mind: the set-up was heard {0}, this session {1}; gains are told from bleed, which the two "
    "tell apart unlike: trust small differences of gain only after a session like it."
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _\-]{0,63}\Z")


@dataclass(frozen=True, slots=True)
class SetupRequest:
    """The options of both commands, as given. ``take``: only its hits count when saving."""

    name: str
    session: Path
    kit: str | None = None
    take: str | None = None
    replace: bool = False
    follow: bool = False


def setups_folder() -> Path:
    """Where set-ups are kept: ``LIVEASSIST_SETUPS_DIR``, or the user's data folder."""
    named = os.environ.get("LIVEASSIST_SETUPS_DIR")
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "liveassist" / "setups"


def save_setup(request: SetupRequest, out: TextIO) -> int:
    """Keep how the kit of a session is under a name; always 0 or an error."""
    if not _NAME.match(request.name):
        raise ConfigError(
            f"{request.name!r}: a set-up's name holds letters, digits, spaces, _ and -, at most 64"
        )
    session = read_session(request.session, request.kit)
    found = measured(session, take=request.take)
    if not found.level_dbfs:
        raise InputError(
            f"{request.session}: no drum has {LEAST_HITS} main hits; play each a while, then save"
        )
    path = setups_folder() / f"{request.name}.json"
    if path.exists() and not request.replace:
        raise ConfigError(
            f"{request.name}: there is a set-up of that name; give --replace, or another"
        )
    make_folder(path.parent)
    learned = session.summary["learned"] is not None
    document = _document(request, found, learned)
    text = json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False)
    write_whole(path, text + "\n")
    known = ", ".join(found.level_dbfs)
    print(f"Saved {request.name}: {known}. Compare with: liveassist restore-check", file=out)
    if not found.pairs:
        print(
            "Polarity and delay are not in it: run report SESSION --audio RECORDING first to have "
            "them.",
            file=out,
        )
    return 0


def restore_check(
    request: SetupRequest, out: TextIO, sleep: Callable[[float], None] = time.sleep
) -> int:
    """Say what differs from the set-up; 0 if it matches, 1 if not (or errors).

    With ``follow`` it is said anew whenever the session's files change, until it matches.
    """
    then = load_setup(request.name)
    learned = _was_learned(request.name)
    said: list[str] | None = None
    while True:
        session = read_session(request.session, request.kit)
        now_learned = session.summary["learned"] is not None
        if said is None and learned is not None and learned != now_learned:
            print(_UNLIKE.format(_HEARD[learned], _HEARD[now_learned]), file=out)
        found = steps(then, measured(session))
        lines = [step.sentence for step in found]
        if lines != said:
            said = lines
            for line in lines or ["It matches: nothing differs by more than the figures can tell."]:
                print(line, file=out)
            if request.follow:
                print("", file=out, flush=True)
        if not any(step.advice for step in found):
            return 0
        if not request.follow:
            return 1
        sleep(FOLLOW_S)


def _was_learned(name: str) -> bool | None:
    """Whether a soundcheck had been learned when the set-up was saved; None: not noted."""
    path = setups_folder() / f"{name}.json"
    return cast("bool | None", json.loads(path.read_text(encoding="utf-8")).get("learned"))


def measured(session: StoredSession, take: str | None = None) -> Setup:
    """How the kit of a session is: from the last main hits of each drum, or those of ``take``."""
    kit = session.kit
    if kit is None:
        raise ConfigError(f"{session.name}: the session holds no kit; give --kit KIT.toml")
    names = [one.name for one in session.takes]
    if take is not None and take not in names:
        raise ConfigError(
            f"--take {take}: there is no take of that name{did_you_mean(take, names)}; takes: "
            f"{', '.join(names) or 'none'}"
        )
    own = {drum.name: drum.own for drum in kit.drums if drum.own is not None}
    levels: dict[str, tuple[float, Interval]] = {}
    notes: dict[str, tuple[float, Interval]] = {}
    rings: dict[str, tuple[float, Interval]] = {}
    for drum in own:
        hits = [hit for hit in session.of(drum, roles=MAIN_ROLES) if not hit.clipped]
        if take is not None:
            chosen = next(one for one in session.takes if one.name == take)
            hits = [hit for hit in hits if chosen.start_s <= hit.time_s <= chosen.end_s]
        else:
            hits = hits[-LAST_HITS:]
        _note_median(levels, drum, hits, lambda hit: hit.peak_dbfs, LEAST_HITS)
        _note_median(notes, drum, hits, lambda hit: hit.note_hz, LEAST_TONES)
        _note_median(rings, drum, hits, lambda hit: hit.ring_s, LEAST_TONES)
    bounds = set(session.summary["bleed_upper_bound"])
    bleed = {
        mic: {
            drum: float(value)
            for drum, value in row.items()
            if value is not None and f"{mic}.{drum}" not in bounds
        }
        for mic, row in session.summary["bleed_db"].items()
    }
    pairs = {
        (row["first"], row["second"]): Pair(bool(row["inverted"]), float(row["delay_ms"]))
        for row in (session.advice or {}).get("pairs", [])
        if "inverted" in row
    }
    return Setup(own, levels, notes, rings, bleed, pairs)


def _note_median(
    into: dict[str, tuple[float, Interval]],
    drum: str,
    hits: Sequence[StoredHit],
    figure_of: Callable[[StoredHit], float | None],
    least: int,
) -> None:
    """Median and its 95 % interval: 1.2533 sigma / sqrt(n), sigma from the MAD."""
    values = np.array([value for hit in hits if (value := figure_of(hit)) is not None])
    if len(values) < least:
        return
    middle = float(np.median(values))
    sigma = 1.4826 * float(np.median(np.abs(values - middle)))
    reach = 1.96 * 1.2533 * sigma / math.sqrt(len(values))
    # A ring or note is never negative; the interval of few scattered readings must not be either.
    low = middle - reach if middle < 0.0 else max(middle - reach, 0.05 * middle)
    into[drum] = (middle, (low, middle + reach))


def load_setup(name: str) -> Setup:
    """A saved set-up; ConfigError if there is none of that name."""
    path = setups_folder() / f"{name}.json"
    if not path.is_file():
        names = sorted(one.stem for one in setups_folder().glob("*.json"))
        raise ConfigError(
            f"{name}: there is no set-up of that name{did_you_mean(name, names)}; saved: "
            f"{', '.join(names) or 'none'}"
        )
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["schema"] != 1:
            raise ValueError("its schema is not 1")
        return Setup(
            own=document["own"],
            level_dbfs=_pairs_of(document["level_dbfs"]),
            note_hz=_pairs_of(document["note_hz"]),
            ring_s=_pairs_of(document["ring_s"]),
            bleed_db=document["bleed_db"],
            pairs={
                (row["first"], row["second"]): Pair(row["inverted"], row["delay_ms"])
                for row in document["pairs"]
            },
        )
    except (ValueError, LookupError, TypeError, OSError) as error:
        raise InputError(f"{path}: this is not a set-up that can be read ({error})") from None


def _pairs_of(rows: dict[str, Any]) -> dict[str, tuple[float, Interval]]:
    return {
        drum: (float(value), (float(low), float(high))) for drum, (value, low, high) in rows.items()
    }


def _document(request: SetupRequest, setup: Setup, learned: bool) -> dict[str, Any]:
    def flat(rows: Any) -> dict[str, list[float]]:
        return {drum: [value, *ends] for drum, (value, ends) in rows.items()}

    return {
        "schema": 1,
        "session": request.session.resolve().name,
        "learned": learned,
        "own": dict(setup.own),
        "level_dbfs": flat(setup.level_dbfs),
        "note_hz": flat(setup.note_hz),
        "ring_s": flat(setup.ring_s),
        "bleed_db": setup.bleed_db,
        "pairs": [
            {"first": a, "second": b, "inverted": pair.inverted, "delay_ms": pair.delay_ms}
            for (a, b), pair in setup.pairs.items()
        ],
    }
