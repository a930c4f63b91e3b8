"""What `replay` does after the recording is over: own values, tracks to hear, closing words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from liveassist.advise.sheet import Advice, MicSheet
from liveassist.app.advicefile import FILE_NAME, advice_by_mic, advice_text, drum_lines
from liveassist.app.atomic import write_whole
from liveassist.app.progress import ProgressBar
from liveassist.app.secondpass import SUGGESTED, YOURS, Renderer, second_pass
from liveassist.app.tryout import own_values
from liveassist.input.files import open_recording
from liveassist.model import SessionRecord, Suggestion

#: Folder of the tracks within the session's.
RENDER_FOLDER = "rendered"


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was asked for beside the analysis. ``own``: assignments by microphone."""

    own: Mapping[str, Sequence[str]] = field(default_factory=dict)
    render: bool = False


@dataclass(frozen=True, slots=True)
class Closing:
    """What is said at the end: of each microphone, beside its settings, and after that."""

    of_mics: Mapping[str, Sequence[str]]
    then: Sequence[str]


def afterwards(
    inputs: Sequence[str],
    record: SessionRecord,
    advice: Advice,
    wishes: Wishes,
    folder: Path | None,
    err: TextIO,
) -> Closing:
    """Go through the recording again where something was asked for; what is to be said.

    ``folder``: of the session; its advice.json is written anew where own values were tried.
    """
    yours: dict[str, MicSheet | str] = {}
    lines: list[str] = []
    if wishes.own or wishes.render:
        values = own_values(wishes.own, record.expander)
        paths = []
        with open_recording(inputs, record.kit) as recording:
            renderer = None
            if wishes.render and folder is not None:
                settings = _to_render(record, values)
                if settings:
                    rate, frames = recording.sample_rate_hz, recording.frames
                    where = folder / RENDER_FOLDER
                    renderer = Renderer(where, record.kit, rate, frames, settings)
                    paths = renderer.paths
                else:
                    lines.append("Nothing to render: no expander is suggested, no value set.")
            try:
                with ProgressBar("again", recording.duration_s, err) as progress:
                    hits = record.hits
                    yours = second_pass(recording, record.kit, hits, values, renderer, progress.at)
                if renderer is not None:
                    renderer.close()
            finally:
                if renderer is not None:
                    renderer.discard()
        if folder is not None and yours:
            write_whole(folder / FILE_NAME, advice_text(advice, record, yours))
        lines += [f"Wrote {path}." for path in paths]
    return Closing(advice_by_mic(advice, record.kit, yours), [*drum_lines(advice), *lines])


def _to_render(
    record: SessionRecord, yours: Mapping[str, Suggestion]
) -> dict[str, dict[str, Suggestion]]:
    """Settings by microphone and name of the file, for every microphone that has any."""
    found: dict[str, dict[str, Suggestion]] = {}
    for mic in record.kit.mics:
        suggested = record.expander.get(mic.name)
        versions = {} if suggested is None else {SUGGESTED: suggested}
        if mic.name in yours:
            versions[YOURS] = yours[mic.name]
        if versions:
            found[mic.name] = versions
    return found
