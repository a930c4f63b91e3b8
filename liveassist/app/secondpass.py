"""The second time through a recording: tracks to listen to, and what the user's own values do.

Both need the settings, which stand only at the end of the first time. Reads block by block, so a
long recording is never held in memory. A track is there only when it is whole.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from liveassist.advise import predict
from liveassist.advise.expander import Expander, settings_from
from liveassist.advise.history import FULL_BAND, Band, LevelHistory
from liveassist.advise.sheet import MicSheet, mic_sheet
from liveassist.app.atomic import make_folder, storage_error
from liveassist.input.files import Recording
from liveassist.measure.levelframes import LevelMeter
from liveassist.model import Audio, Block, Hit, Kit, Suggestion

_BLOCK_FRAMES = 65_536
#: A WAV file holds less than this, bytes; longer tracks are written as RF64, its large form.
_LARGEST_WAV = 4_000_000_000
#: What the files of a microphone are called: as recorded, as suggested, with the user's values.
DRY, SUGGESTED, YOURS = "dry", "suggested", "yours"


class Renderer:
    """Writes, for each microphone, its dry track and the track behind each of its settings.

    All are mono, 32-bit float WAV at the recording's rate, and aligned to the sample: the first
    sample of each is the first of the recording, and all are equally long.
    """

    def __init__(
        self,
        folder: Path,
        kit: Kit,
        sample_rate_hz: int,
        frames: int,
        settings: Mapping[str, Mapping[str, Suggestion]],
    ) -> None:
        """``settings``: by microphone, then by name of the file. StorageError if it cannot."""
        import soundfile

        make_folder(folder)
        self._stack = ExitStack()
        self._tracks: list[_Track] = []
        self.paths: list[Path] = []
        kind = "RF64" if 4 * frames > _LARGEST_WAV else "WAV"
        try:
            for mic, versions in settings.items():
                for name, chosen in ((DRY, None), *versions.items()):
                    path = folder / f"{mic}.{name}.wav"
                    try:
                        file = soundfile.SoundFile(
                            _part(path), "w", sample_rate_hz, 1, format=kind, subtype="FLOAT"
                        )
                    except (OSError, soundfile.SoundFileError) as error:
                        raise _storage(path, error) from None
                    self._stack.enter_context(file)
                    self.paths.append(path)
                    expander = None
                    if chosen is not None:
                        expander = Expander(settings_from(chosen), sample_rate_hz)
                    self._tracks.append(_Track(path, file, kit.mic_index(mic), expander))
        except BaseException:
            self.discard()
            raise

    def feed(self, block: Block) -> None:
        """Write the next block."""
        for track in self._tracks:
            track.feed(block.audio[:, track.column])

    def close(self) -> None:
        """Write what the look-ahead still holds, and put all files in their place."""
        try:
            for track in self._tracks:
                track.finish()
            self._stack.close()
            for path in self.paths:
                try:
                    os.replace(_part(path), path)
                except OSError as error:
                    raise storage_error(path, error) from None
        finally:
            self.discard()

    def discard(self) -> None:
        """Close and remove what is not in its place; after a failure. May be called again."""
        self._stack.close()
        for path in self.paths:
            _part(path).unlink(missing_ok=True)


def _part(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}.part")


class _Track:
    """One file. The expander is late by its look-ahead: its first samples are left out."""

    def __init__(self, path: Path, file: Any, column: int, expander: Expander | None) -> None:
        self.column = column
        self._path = path
        self._file = file
        self._expander = expander
        self._late = 0 if expander is None else expander.latency_samples
        self._skip = self._late

    def feed(self, audio: Audio) -> None:
        out = audio
        if self._expander is not None:
            out = self._expander.feed(audio)[0].astype(np.float32)
            skipped = min(self._skip, len(out))
            self._skip -= skipped
            out = out[skipped:]
        self._write(out)

    def finish(self) -> None:
        if self._late:
            self.feed(np.zeros(self._late, dtype=np.float32))

    def _write(self, audio: Audio) -> None:
        import soundfile

        try:
            self._file.write(audio)
        except (OSError, soundfile.SoundFileError) as error:
            raise _storage(self._path, error) from None


def _storage(path: Path, error: Exception) -> Exception:
    reason = error if isinstance(error, OSError) else OSError(0, str(error))
    return storage_error(path, reason)


def second_pass(
    recording: Recording,
    kit: Kit,
    hits: Sequence[Hit],
    yours: Mapping[str, Suggestion],
    renderer: Renderer | None,
    at: Callable[[float], None] = lambda _: None,
) -> dict[str, MicSheet | str]:
    """Sheets of the user's own values, by microphone (or why there is none); tracks written.

    ``recording`` is read from its start. ``hits``: of the first time through. ``at`` is told how
    far it is, seconds.
    """
    rate = recording.sample_rate_hz
    meter = LevelMeter(kit, rate, {mic: _bands(chosen) for mic, chosen in yours.items()})
    levels = LevelHistory(kit, rate)
    for block in recording.blocks(_BLOCK_FRAMES):
        at((block.first_sample + len(block.audio)) / rate)
        if renderer is not None:
            renderer.feed(block)
        if yours:
            frames = meter.feed(block)
            if frames is not None:
                levels.add(frames)
    last = meter.flush() if yours else None
    if last is not None:
        levels.add(last)
    return {
        mic: mic_sheet(kit, mic, hits, levels, chosen, predict_anew=True)
        for mic, chosen in yours.items()
    }


def _bands(chosen: Suggestion) -> tuple[Band, ...]:
    band = predict.key_band(settings_from(chosen))
    return () if band == FULL_BAND else (band,)
