"""Rows of the table of OSC addresses: commands on takes, beside starting and stopping them."""

from __future__ import annotations

from .address_row import ROOT, Address, Arg

_TAKE = Arg("take", "s", optional=True)

TAKE_COMMANDS = (
    Address(
        f"{ROOT}/take/keep",
        (Arg("name", "s", optional=True),),
        "command",
        "What is being played, or was played last, is a take, from its first hit on. One that runs "
        "ends with the playing.",
        ("take 4",),
    ),
    Address(
        f"{ROOT}/take/join",
        (_TAKE, Arg("with", "s", optional=True)),
        "command",
        "Make one take of two, with all between; without names, of the last two.",
        ("take 4", "take 3"),
    ),
    Address(
        f"{ROOT}/take/split",
        (_TAKE, Arg("at_s", "f", "s", 0, optional=True)),
        "command",
        "Make two takes of one (without a name the one that runs, or the last) at this second of "
        "the session, else now.",
        ("take 4", 63.5),
    ),
    Address(
        f"{ROOT}/take/move",
        (Arg("take", "s"), Arg("start_s", "f", "s", 0), Arg("end_s", "f", "s", 0, optional=True)),
        "command",
        "Give a take another beginning, and another end.",
        ("take 4", 41.5, 221.0),
    ),
    Address(
        f"{ROOT}/take/remove",
        (Arg("take", "s"),),
        "command",
        "It is no take any more; its hits stay.",
        ("take 4",),
    ),
    Address(
        f"{ROOT}/take/star",
        (_TAKE, Arg("on", "i", "0 or 1", 0, 1, optional=True)),
        "command",
        "Star a take (without a name the one that runs, or the last), or take its star away.",
        ("take 4", 1),
    ),
    Address(
        f"{ROOT}/take/note",
        (Arg("text", "s"), _TAKE),
        "command",
        "Keep a note about a take; an empty text removes it.",
        ("fill too early", "take 4"),
    ),
    Address(
        f"{ROOT}/take/punch",
        (_TAKE, Arg("bar", "i", "", 0, 9999, optional=True)),
        "command",
        "Start a take that replaces a part of another (without a name: of the last whole one) from "
        "this bar on (0: not said). It is held against the same bars.",
        ("take 3", 17),
    ),
    Address(
        f"{ROOT}/song/start",
        (Arg("song", "s", optional=True),),
        "command",
        "Takes begun from now on are of this song and named for it; without a name, of none.",
        ("gannet road",),
    ),
)
