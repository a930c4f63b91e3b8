"""Rows of the address table for a lug walk: what is heard beside each lug, and commands for it."""

from __future__ import annotations

from .address_row import ROOT, Address, Arg

MOST_LUGS = 24
#: Beyond this a lug is not off but the tap was misheard, cents.
MOST_CENTS = 600.0
_LUG = Arg("lug", "i", "", 1, MOST_LUGS)


def _cents(name: str) -> Arg:
    return Arg(name, "f", "cents", -MOST_CENTS, MOST_CENTS)


LUG_EVENTS = (
    Address(
        f"{ROOT}/lugs/at",
        (
            Arg("drum", "s"),
            Arg("lug", "i", "", 0, MOST_LUGS),
            Arg("lugs", "i", "", 3, MOST_LUGS),
            Arg("taps_left", "i", "", 0, 9),
        ),
        "event",
        "Lug walk: tap beside this lug now, so many times more; lug 0: all are measured.",
        ("snare", 3, 10, 2),
    ),
    Address(
        f"{ROOT}/lugs/off",
        (
            _LUG,
            _cents("off_cents"),
            _cents("low_cents"),
            _cents("high_cents"),
            Arg("sure", "i", "0 or 1", 0, 1),
        ),
        "event",
        "How far a lug is off the others (flat is negative), its 95 % interval, and whether it is "
        "off for certain.",
        (3, -21.0, -27.5, -14.5, 1),
    ),
    Address(
        f"{ROOT}/lugs/pair",
        (
            _LUG,
            Arg("opposite", "i", "", 1, MOST_LUGS),
            _cents("mean_cents"),
            _cents("difference_cents"),
        ),
        "event",
        "Two opposite lugs: how far both are off, and the one against the other.",
        (3, 8, -20.5, -1.0),
    ),
    Address(
        f"{ROOT}/lugs/pitch_hz",
        (Arg("pitch_hz", "f", "Hz", 20, 2000),),
        "event",
        "Mean pitch of the mode that tells the lugs apart.",
        (259.7,),
    ),
    Address(
        f"{ROOT}/lugs/sentence",
        (Arg("sentence", "s"),),
        "event",
        "What was heard of the last tap, or what to turn.",
        ("Lug 3 is 21 cents flat of the others: tighten it a little and tap it again.",),
    ),
)

LUG_COMMANDS = (
    Address(f"{ROOT}/lugs/next", (), "command", "Lug walk: go on to the next lug.", ()),
    Address(f"{ROOT}/lugs/back", (), "command", "Lug walk: go back to the lug before.", ()),
    Address(f"{ROOT}/lugs/again", (), "command", "Lug walk: measure this lug anew.", ()),
    Address(f"{ROOT}/lugs/go", (_LUG,), "command", "Lug walk: go to this lug.", (3,)),
    Address(f"{ROOT}/lugs/end", (), "command", "Lug walk: end it.", ()),
)
