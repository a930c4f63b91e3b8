"""Whether a recorder can have the same interface at the same time, by the sound system it is on."""

from __future__ import annotations

#: By a word in the name of the sound system, in the order looked for.
_NOTES = (
    ("jack", "is heard through the audio server, as is the recorder that uses the same server"),
    ("pipewire", "is heard through the audio server, as is the recorder that uses the same server"),
    ("pulse", "is heard through the audio server, as is the recorder that uses the same server"),
    ("core audio", "is shared with every program that wants it"),
    ("wdm-ks", "is taken for this program alone: choose the same input under another sound system"),
    ("asio", "may be for one program alone: if the recorder cannot open it, see the guide"),
    ("wasapi", "is opened in shared mode; a recorder must not take it exclusively"),
    ("mme", "is shared with every program that wants it"),
    ("directsound", "is shared with every program that wants it"),
    (
        "alsa",
        "is for one program alone without an audio server: if the recorder needs it, start one",
    ),
)


def sharing_note(name: str, host: str) -> str:
    """One sentence for the start: who else may have the input ``name`` of sound system ``host``."""
    low = host.casefold()
    note = next((said for word, said in _NOTES if word in low), None)
    if note is None:
        note = f"is reached through {host}; whether a recorder can have it too is not known"
    return f'"{name}" {note}; nothing is played on it.'
