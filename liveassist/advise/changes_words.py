"""The sentence of each change: what differs, by how much, and what to check."""

from __future__ import annotations


def _plain(name: str) -> str:
    return name.replace("_", " ")


def playing(drum: str, amount_db: float) -> str:
    """Softer or harder playing of one drum."""
    how = "softer" if amount_db < 0 else "harder"
    return (
        f"The {_plain(drum)} is played {abs(amount_db):.1f} dB {how} than in the reference, in "
        f"every microphone alike: check with the drummer, not the preamp."
    )


def gain(mic: str, amount_db: float) -> str:
    """Everything in one microphone shifts alike."""
    way = "down" if amount_db < 0 else "up"
    return (
        f"Everything in the {_plain(mic)} microphone is {way} by {abs(amount_db):.1f} dB, bleed "
        f"too: check its preamp gain and pad."
    )


def position(mic: str, amount_db: float | None, delay_ms: float | None) -> str:
    """A microphone that was moved."""
    parts = []
    if amount_db is not None:
        way = "down" if amount_db < 0 else "up"
        parts.append(f"its own drum is {way} by {abs(amount_db):.1f} dB, the bleed is not")
    if delay_ms is not None:
        way = "later" if delay_ms > 0 else "earlier"
        parts.append(f"sound arrives {abs(delay_ms):.2f} ms {way}")
    return (
        f"The {_plain(mic)} microphone has moved ({' and '.join(parts)}): check its stand or clip."
    )


def polarity(mic: str, drum: str) -> str:
    """The sign of a microphone flipped."""
    return (
        f"The polarity of the {_plain(mic)} microphone against the {_plain(drum)} is the other way "
        f"round: check the polarity switch and the cable."
    )


def pitch(drum: str, cents: float) -> str:
    """The head went flat or sharp."""
    way = "flat" if cents < 0 else "sharp"
    return (
        f"The {_plain(drum)} head is {abs(cents):.0f} cents {way} of the reference at like hit "
        f"levels: check the lugs."
    )


def ring(drum: str, per_cent: float) -> str:
    """Damping added or lost."""
    way, check = ("shorter", "added") if per_cent < 0 else ("longer", "lost")
    return (
        f"The {_plain(drum)} rings {abs(per_cent):.0f} % {way} at the same pitch: check for "
        f"damping that was {check}."
    )


def drum_changed(drum: str) -> str:
    """Another drum or head."""
    return (
        f"The {_plain(drum)} sounds like another drum or head, so this take starts a new reference "
        f"for it: check that the change was meant."
    )


def bleed(source: str, amount_db: float) -> str:
    """One source up or down everywhere."""
    way = "down" if amount_db < 0 else "up"
    return (
        f"The {_plain(source)} is {way} by {abs(amount_db):.1f} dB in all microphones: check how "
        f"it is played and where it stands."
    )


def fault(mic: str, what: str) -> str:
    """A microphone that fails; ``what`` says how, in words to follow its name or as a sentence of
    its own (an alert's), which names it and says what to do."""
    if what.endswith("."):
        return what
    return f"The {_plain(mic)} microphone {what}: check its cable, power and input."


def unknown(drum: str, mic: str, amount_db: float) -> str:
    """A difference no cause explains."""
    way = "down" if amount_db < 0 else "up"
    return (
        f"The {_plain(drum)} is {way} by {abs(amount_db):.1f} dB in the {_plain(mic)} microphone, "
        f"which no single cause explains: check both by ear."
    )
