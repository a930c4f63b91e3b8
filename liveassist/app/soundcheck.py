"""`liveassist soundcheck INPUT`: learn a kit from a recording and keep what was learned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from liveassist.app.atomic import make_folder
from liveassist.app.config import parse_kit
from liveassist.app.learned import default_learned_path, learn_from_recording, write_learned
from liveassist.app.marks import Span, parse_spans
from liveassist.app.resources import bundled, find_profile
from liveassist.app.toml_table import read_profile
from liveassist.model import Kit


@dataclass(frozen=True, slots=True)
class SoundcheckRequest:
    """The options of `liveassist soundcheck` on a recording, as given."""

    inputs: Sequence[str]
    kit: str
    segments: Sequence[str] = ()
    out: Path | None = None


def soundcheck_target(kit: str, out: Path | None) -> tuple[Path, Kit]:
    """Where what is learned is kept (a folder that can be written), and the kit."""
    path = find_profile("kits", kit)
    known = parse_kit(read_profile(path), str(path))
    target = out or default_learned_path(path, path in bundled("kits").values())
    make_folder(target.parent)
    return target, known


def soundcheck(request: SoundcheckRequest, out: TextIO) -> int:
    """Learn from a recording and write it to a file that ``--learned`` takes."""
    target, kit = soundcheck_target(request.kit, request.out)
    segments = parse_spans("--segment", request.segments)
    learned = learn_from_recording(request.inputs, segments, kit)
    write_learned(learned, target)
    print(f"learned {', '.join(learned.signatures)} from {' '.join(request.inputs)}", file=out)
    missing = [drum.name for drum in kit.drums if drum.name not in learned.signatures]
    if missing:
        print(f"not heard: {', '.join(missing)}", file=out)
        print(_what_to_do(missing, list(learned.signatures), segments), file=out)
    for note in learned.notes.values():
        print(note, file=out)
    print(f"wrote {target}; use it with --learned {target}", file=out)
    return 0


def _what_to_do(missing: Sequence[str], known: Sequence[str], segments: Sequence[Span]) -> str:
    """A drum that was played and not found can be shown; of segments, only those are heard."""
    options = " ".join(f"--segment {name}=START:END" for name in missing)
    if segments:
        return f"If it was played, name its part too: {options} (seconds of the recording)."
    others = ", ".join(known)
    return (
        f"If it was played, say where in the recording each drum is, in seconds: {options} and "
        f"likewise for {others}. If it was not, play it alone, a dozen strokes from soft to hard."
    )
