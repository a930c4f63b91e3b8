"""What a kit was learned from: a soundcheck recording, a file of an earlier one, or nothing."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from liveassist.app.marks import Span, check_segments, check_within
from liveassist.errors import InputError, StorageError
from liveassist.input.files import open_recording
from liveassist.model import Kit

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned

#: What ``--learned`` is told for "use nothing".
NOTHING = "none"


def learn_from_recording(given: Sequence[str], segments: Sequence[Span], kit: Kit) -> Learned:
    """Learn the kit from a recording in which each drum is played alone, soft to hard.

    Without ``segments`` the order of the drums is found from the recording itself.
    """
    from liveassist.learning import learn

    check_segments(segments, [drum.name for drum in kit.drums])
    with open_recording(given, kit) as recording:
        check_within("--segment", segments, recording.duration_s, recording.name)
        audio = recording.read_all()
        rate_hz = recording.sample_rate_hz
    spans = [(span.name, span.start_s, span.end_s) for span in segments]
    return learn(kit, rate_hz, audio, spans or None)


def read_learned(path: Path, kit: Kit) -> Learned:
    """What an earlier soundcheck wrote; InputError if the file is not that, or of another kit."""
    from liveassist.attribute.signature import Learned

    try:
        with path.open("rb") as file:
            learned = Learned.load(file, str(path))
    except FileNotFoundError as error:
        raise InputError(f"there is no learned file {path}; run liveassist soundcheck") from error
    except OSError as error:
        raise InputError(
            f"the learned file {path} cannot be read: {error.strerror or error}"
        ) from error
    learned.check([mic.name for mic in kit.mics])
    return learned


def write_learned(learned: Learned, path: Path) -> None:
    """Write what was learned, whole or not at all; StorageError if that fails."""
    partial = path.with_name(path.name + ".part")
    try:
        with partial.open("wb") as file:
            learned.save(file)
            # On the disk before it takes the place of the old one, or a power cut loses both.
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise StorageError(
            f"what was learned cannot be written to {path}: {error.strerror or error}; "
            "choose another folder or free some space"
        ) from error


def default_learned_path(kit_path: Path, bundled: bool) -> Path:
    """Where a soundcheck is kept: beside the kit profile, or here if that one is bundled."""
    folder = Path() if bundled else kit_path.parent
    return folder / f"{kit_path.stem}.learned.npz"
