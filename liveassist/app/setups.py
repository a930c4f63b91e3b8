"""`liveassist save-setup` and `restore-check`: how it was, under a name, and what differs today."""

from __future__ import annotations

import json
import os
import re
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO, cast

from liveassist.advise.restore import Pair, Setup, steps
from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.nearest import did_you_mean
from liveassist.app.sessionfolder import read_session
from liveassist.app.setuphits import LEAST_HITS, measured
from liveassist.errors import ConfigError, InputError
from liveassist.model import Interval

#: How often a running session is looked at, s.
FOLLOW_S = 2.0
#: Bleed is told apart better where a soundcheck taught the drums; the two are not quite alike.
#: On recorded drums that alone passed for gains of up to 2.8 dB.
_HEARD = {True: "with a soundcheck learned", False: "without a soundcheck"}
_UNLIKE = (
    "Gains and bleed are not compared: the set-up was heard {0}, this session {1}, and the two "
    "tell bleed apart unlike. Save and check from sessions that were heard alike to have them."
)
_MATCHES = "It matches: nothing differs by more than the figures can tell."
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _\-]{0,63}\Z")


@dataclass(frozen=True, slots=True)
class SetupRequest:
    """The options of both commands, as given. ``take``: only its hits count."""

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
    heard = measured(request.session, session, request.take)
    found = heard.setup
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
    for line in heard.used:
        print(line, file=out)
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
        alike = learned is None or learned == now_learned
        heard = measured(request.session, session, request.take)
        found = steps(then, heard.setup, bleed=alike and bool(heard.setup.bleed_db))
        lines = [step.sentence for step in found]
        if lines != said:
            if said is None and not alike and learned is not None:
                print(_UNLIKE.format(_HEARD[learned], _HEARD[now_learned]), file=out)
            said = lines
            for line in lines or [_MATCHES]:
                print(line, file=out)
            for line in heard.used:
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
