"""What a recording's channels and figures say of the profile: channels nobody uses, channels that
seem to be swapped. Notes to look at, not faults."""

from __future__ import annotations

from collections.abc import Sequence

from liveassist.model import Figures, Kit

#: Another drum's microphone that hears a drum louder than its own by this is likely its own, dB.
SWAPPED_DB = 6.0
#: Notes beyond which a drum is hardly what it is called, Hz (common practice, no source: kicks are
#: tuned to some 45 to 100 Hz, snares to 150 to 350 Hz).
HIGHEST_KICK_HZ, LOWEST_SNARE_HZ = 130.0, 100.0


def unused_channels(kit: Kit, channels: int) -> str | None:
    """A sentence about channels of a recording that are in no microphone of the kit, if any are."""
    used = {mic.channel for mic in kit.inputs}
    left = [str(channel) for channel in range(1, channels + 1) if channel not in used]
    if not left:
        return None
    which = f"channel {left[0]} is" if len(left) == 1 else f"channels {_and(left)} are"
    return f"Look: {which} in no microphone of the kit; what they heard is not used."


def swapped_channels(kit: Kit, figures: Figures) -> list[str]:
    """Sentences about drums whose own microphone seems to be another's."""
    found = []
    owners = {drum.own: drum.name for drum in kit.drums if drum.own is not None}
    pairs = {mic.name for mic in kit.mics if mic.of is not None}
    for drum in kit.drums:
        if drum.own is None or not drum.judged:
            continue
        louder = {
            mic: level
            for mic, row in figures.bleed_db.items()
            if mic in owners and mic != drum.own and mic not in pairs
            and (level := row.get(drum.name)) is not None and level >= SWAPPED_DB
        }  # fmt: skip
        if louder:
            mic = max(louder, key=lambda name: louder[name])
            found.append(
                f"Look: the {drum.name} is {louder[mic]:.0f} dB louder in {mic} than in its own "
                f"microphone {drum.own}: are their channels swapped?"
            )
    return found or _upside_down(kit, figures)


def _upside_down(kit: Kit, figures: Figures) -> list[str]:
    """A kick that sounds higher than kicks do, or a snare lower, hangs on another's channel."""
    found = []
    for drum in kit.drums:
        known = figures.drums.get(drum.name)
        if known is None or known.note_hz is None:
            continue
        note = known.note_hz
        if drum.kind == "kick" and note > HIGHEST_KICK_HZ:
            found.append(
                f"Look: the {drum.name} sounds at {note:.0f} Hz, higher than kicks do: is the "
                f"channel of {drum.own} another drum's?"
            )
        elif drum.kind == "snare" and note < LOWEST_SNARE_HZ:
            found.append(
                f"Look: the {drum.name} sounds at {note:.0f} Hz, lower than snares do: is the "
                f"channel of {drum.own} another drum's?"
            )
    return found


def _and(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}"
