"""Kit profiles: TOML text to `Kit`, with all mistakes found at once.

::

    [kit]
    name = "..."

    [[drum]]
    name = "snare"
    kind = "snare"             # kick, snare, tom, hihat or cymbal
    own = "snare_top"          # its close microphone, if it has one
    head_diameter_in = 14
    lugs = 10

    [[mic]]
    name = "snare_bottom"
    channel = 3                # of the interface or the file, from 1
    of = "snare"               # a second microphone on that drum
    type = "acoustic"          # acoustic, trigger or line
    track_offset_db = -3.0     # gain of the recorded track minus gain seen here

    [[mic]]
    name = "click"
    channel = 9
    type = "line"
    click = true               # the recorder's metronome: hits are laid on its bars

    [window]                   # how far back the rolling figures look
    hits = 64
    seconds = 300
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from liveassist.app.nearest import did_you_mean
from liveassist.app.resources import find_profile
from liveassist.app.toml_table import Field, Profile, read_profile
from liveassist.model import DRUM_KINDS, JUDGED_KINDS, MIC_TYPES, Drum, Kit, Mic, Windows

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_\-]{0,31}\Z")
_NAME_RULE = (
    "must begin with a letter and hold at most 32 letters, digits, _ and - (it becomes part of "
    "addresses and column names)"
)

_KIT_FIELDS = {"name": Field("text", required=True)}
_DRUM_FIELDS = {
    "name": Field("text", required=True),
    "kind": Field("text", required=True, choices=DRUM_KINDS),
    "own": Field("text"),
    "head_diameter_in": Field("number", low=4, high=40, unit="inches"),
    "lugs": Field("whole", low=2, high=24),
}
_MIC_FIELDS = {
    "name": Field("text", required=True),
    "channel": Field("whole", required=True, low=1, high=256),
    "of": Field("text"),
    "type": Field("text", choices=MIC_TYPES),
    "track_offset_db": Field("number", low=-80, high=80, unit="dB"),
    "click": Field("yesno"),
}
# Fewer than eight hits give no spread worth showing; a day is longer than any session.
_WINDOW_FIELDS = {
    "hits": Field("whole", low=8, high=10_000),
    "seconds": Field("number", low=5, high=86_400, unit="s"),
}


def load_kit(given: str | Path) -> Kit:
    """The kit of a profile, named by path or by the name of a bundled one.

    ConfigError carries every mistake of the profile.
    """
    path = find_profile("kits", str(given))
    return parse_kit(read_profile(path), str(path))


def parse_kit(text: str, where: str) -> Kit:
    """The kit of a profile's text. ``where`` names the text in messages.

    ConfigError carries every mistake, each with its line where that can be known.
    """
    profile = Profile(text, where)
    profile.unknown_keys((), profile.data, ("kit", "drum", "mic", "window"))
    name = profile.read(("kit",), profile.table("kit"), _KIT_FIELDS).get("name", "")
    drums = [
        profile.read(("drum", index), table, _DRUM_FIELDS)
        for index, table in enumerate(profile.tables("drum"))
    ]
    mics = [
        profile.read(("mic", index), table, _MIC_FIELDS)
        for index, table in enumerate(profile.tables("mic"))
    ]
    window = profile.read(("window",), profile.table("window"), _WINDOW_FIELDS)
    _check_names(profile, "drum", drums)
    _check_names(profile, "mic", mics)
    _check_channels(profile, mics)
    _check_owners(profile, drums, mics)
    _check_second_mics(profile, drums, mics)
    _check_click(profile, drums, mics)
    _check_anything_to_judge(profile, drums)
    profile.done()
    clicks = [mic for mic in mics if mic.pop("click", False)]
    mics = [mic for mic in mics if mic not in clicks]
    return Kit(
        name=name,
        drums=tuple(Drum(**drum) for drum in drums),
        mics=tuple(Mic(**mic) for mic in mics),
        windows=Windows(**window),
        click=Mic(**clicks[0]) if clicks else None,
    )


def _check_names(profile: Profile, what: str, rows: list[dict[str, Any]]) -> None:
    seen: dict[str, int] = {}
    for index, row in enumerate(rows):
        name = row.get("name")
        if name is None:
            continue
        if not _NAME.match(name):
            profile.problem((what, index, "name"), f'{what} name "{name}" {_NAME_RULE}')
        if name in seen:
            profile.problem(
                (what, index, "name"),
                f'{what} "{name}" is named twice ({what}[{seen[name] + 1}] and '
                f"{what}[{index + 1}]); give each its own name",
            )
        seen.setdefault(name, index)


def _check_channels(profile: Profile, mics: list[dict[str, Any]]) -> None:
    taken: dict[int, str] = {}
    for index, mic in enumerate(mics):
        channel = mic.get("channel")
        if channel is None:
            continue
        if channel in taken:
            profile.problem(
                ("mic", index, "channel"),
                f"channel {channel} is given to both {taken[channel]} and {_name(mic)}; each "
                "microphone needs a channel of its own",
            )
        taken.setdefault(channel, _name(mic))


def _check_owners(
    profile: Profile, drums: list[dict[str, Any]], mics: list[dict[str, Any]]
) -> None:
    by_name = {mic["name"]: mic for mic in mics if "name" in mic}
    owners: dict[str, dict[str, Any]] = {}
    for index, drum in enumerate(drums):
        own = drum.get("own")
        if own is None:
            continue
        key = ("drum", index, "own")
        if own not in by_name:
            profile.problem(
                key,
                f'{_name(drum)} owns the unknown microphone "{own}"{did_you_mean(own, by_name)}; '
                f"microphones: {', '.join(by_name) or 'none'}",
            )
            continue
        kind = by_name[own].get("type", "acoustic")
        if kind != "acoustic":
            profile.problem(
                key,
                f"{_name(drum)} owns {own}, which is a {kind}; levels and bleed need an acoustic "
                "microphone as the drum's own",
            )
        first = owners.setdefault(own, drum)
        if first is not drum and not (first.get("kind") == drum.get("kind") == "tom"):
            profile.problem(
                key,
                f"{_name(first)} and {_name(drum)} both own {own}; only two toms may share a "
                "microphone, so leave own out of one of them",
            )


def _check_second_mics(
    profile: Profile, drums: list[dict[str, Any]], mics: list[dict[str, Any]]
) -> None:
    names = [drum["name"] for drum in drums if "name" in drum]
    owned = {drum["own"]: _name(drum) for drum in drums if "own" in drum}
    for index, mic in enumerate(mics):
        of = mic.get("of")
        if of is None:
            continue
        if of not in names:
            profile.problem(
                ("mic", index, "of"),
                f'{_name(mic)} is "of" the unknown drum "{of}"{did_you_mean(of, names)}; '
                f"drums: {', '.join(names) or 'none'}",
            )
        if _name(mic) in owned:
            profile.problem(
                ("mic", index, "of"),
                f"{_name(mic)} is {owned[_name(mic)]}'s own microphone already; of is for a "
                "second microphone on a drum, so leave one of the two out",
            )


def _check_click(profile: Profile, drums: list[dict[str, Any]], mics: list[dict[str, Any]]) -> None:
    clicks = [(index, mic) for index, mic in enumerate(mics) if mic.get("click")]
    for index, mic in clicks[:1]:
        if mic.get("type", "acoustic") != "line":
            profile.problem(
                ("mic", index, "click"),
                f"{_name(mic)} carries the click but is a {mic.get('type', 'acoustic')} "
                'microphone; a metronome is heard on a line, so write type = "line"',
            )
        if mic.get("of") is not None:
            profile.problem(
                ("mic", index, "of"),
                f"{_name(mic)} carries the click, so it is no microphone on a drum; leave of out",
            )
    for index, _ in clicks[1:]:
        profile.problem(
            ("mic", index, "click"),
            f"{_name(clicks[0][1])} carries the click already; click = true is for one channel",
        )


def _check_anything_to_judge(profile: Profile, drums: list[dict[str, Any]]) -> None:
    if drums and not any(drum.get("kind") in JUDGED_KINDS and "own" in drum for drum in drums):
        profile.problem(
            ("drum",),
            "no kick or snare has an own microphone, so there is nothing to judge; "
            'add own = "..." to one',
        )


def _name(row: dict[str, Any]) -> str:
    return str(row.get("name", "one without a name"))
