"""Written grooves: a small text form, and generators that write it.

A groove is lines of ``instrument | symbols``, one symbol a step; bar lines and blanks are
ignored::

    hihat | x-x-x-x- x-x-o-x- |
    snare | ----X--g ----X--g |
    kick  | X------- X-X----- |

Symbols: ``X`` accented, ``x`` main, ``m`` medium (6 dB down), ``g`` ghost, ``r`` rim click,
``f`` flam, ``d`` double stroke, ``o`` open hi-hat, ``h`` half open, ``p`` pedal, ``c`` count-in
stroke, ``-`` or ``.`` rest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .errors import ScenarioError
from .fields import suggest

SYMBOLS = "Xxmgrfdohpc"
RESTS = "-."


@dataclass(frozen=True, slots=True)
class Note:
    """One written stroke at ``beat`` from the start of its groove."""

    beat: float
    instrument: str
    symbol: str
    part: str


@dataclass(frozen=True, slots=True)
class Groove:
    """Notes in order of beat, and the length in beats."""

    name: str
    beats: float
    notes: tuple[Note, ...]


def parse_groove(name: str, text: str, steps_per_beat: int = 4) -> Groove:
    """Read the text form; ScenarioError on an unknown symbol or lines of different length."""
    if steps_per_beat < 1:
        raise ScenarioError(f"groove {name}: steps_per_beat is {steps_per_beat}, must be 1 or more")
    notes: list[Note] = []
    length = 0
    for line in text.strip().splitlines():
        if not line.strip():
            continue
        instrument, bar, rest = line.partition("|")
        if not bar:
            raise ScenarioError(f"groove {name}: line {line.strip()!r} has no '|' after the name")
        steps = [s for s in rest if s not in "| \t"]
        if length and len(steps) != length:
            raise ScenarioError(
                f"groove {name}: {instrument.strip()} has {len(steps)} steps, others {length}"
            )
        length = len(steps)
        for step, symbol in enumerate(steps):
            if symbol in RESTS:
                continue
            if symbol not in SYMBOLS:
                raise ScenarioError(
                    f"groove {name}: unknown symbol {symbol!r}; known: {SYMBOLS} and - or ."
                )
            notes.append(Note(step / steps_per_beat, instrument.strip(), symbol, name))
    if not length:
        raise ScenarioError(f"groove {name}: no lines")
    notes.sort(key=lambda note: (note.beat, note.instrument))
    return Groove(name, length / steps_per_beat, tuple(notes))


def _lines(**rows: str) -> str:
    return "\n".join(f"{name} | {row}" for name, row in rows.items())


def _rock(rng: np.random.Generator) -> str:
    kicks = ("X-------X-x-----", "X-----x-X-------", "X--x----X-x----x")
    ghosts = ("----X--g-g--X---", "----X---g---X--g", "----X-g-----X-g-")
    return _lines(
        hihat="X-x-X-x-X-x-X-x-",
        snare=str(rng.choice(ghosts)),
        kick=str(rng.choice(kicks)),
    )


def _blast(rng: np.random.Generator) -> str:
    return _lines(
        crash="X" + "-" * 15,
        ride="X---X---X---X---",
        snare="-X" * 8,
        kick="X-" * 8,
    )


def _double_kick(rng: np.random.Generator) -> str:
    return _lines(hihat="X---X---X---X---", snare="----X-------X---", kick="X" + "x" * 15)


def _half_time(rng: np.random.Generator) -> str:
    kicks = ("X-----x---x-----", "X--x----------x-")
    return _lines(hihat="X-x-x-x-X-x-x-x-", snare="--------X-----g-", kick=str(rng.choice(kicks)))


def _funk(rng: np.random.Generator) -> str:
    ghosts = ("-g--X-gg-g-gX-g-", "g-g-X--g-gg-X--g", "-gg-X-g--g-gX-gg")
    kicks = ("X--x--x---x--x--", "X-x----x--x-----")
    return _lines(
        hihat="XmxmXmxmXmxmXmom", snare=str(rng.choice(ghosts)), kick=str(rng.choice(kicks))
    )


def _fill(rng: np.random.Generator) -> str:
    rows = (
        _lines(
            snare="X-x-x-----------",
            tom_high="------x-x-x-----",
            tom_floor="------------x-x-",
            kick="X---X---X---X---",
        ),
        _lines(
            snare="xxxx------------",
            tom_high="----xxxx--------",
            tom_floor="--------xxxxx-x-",
            kick="X-------X-------",
        ),
    )
    return str(rng.choice(rows))


def _roll(rng: np.random.Generator) -> str:
    return _lines(snare="mmmmmmmmxxxxxxxX", kick="X-------X-------")


def _count_in(rng: np.random.Generator) -> str:
    return _lines(hihat="c---c---c---c---")


GENERATORS: dict[str, Callable[[np.random.Generator], str]] = {
    "rock": _rock,
    "blast": _blast,
    "double_kick": _double_kick,
    "half_time": _half_time,
    "funk": _funk,
    "fill": _fill,
    "roll": _roll,
    "count_in": _count_in,
}


def generate_groove(style: str, rng: np.random.Generator) -> Groove:
    """One bar in the named style, varied by ``rng``."""
    if style not in GENERATORS:
        raise ScenarioError(f"no groove or generator {style!r}{suggest(style, GENERATORS)}")
    return parse_groove(style, GENERATORS[style](rng))
