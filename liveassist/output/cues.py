"""Cue points in a WAV file: a copy of it with a named point where each take begins and ends.

Chunks ``cue `` and ``LIST``/``adtl``/``labl`` of the RIFF WAVE format (Multimedia Programming
Interface and Data Specifications 1.0, 1991), put behind what is there already.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from liveassist.errors import InputError
from liveassist.output.smf import Marker

_LARGEST = 0xFFFFFFFF - 8
_COPY_BYTES = 1 << 20


def cue_chunks(markers: Sequence[Marker], sample_rate_hz: int) -> bytes:
    """The two chunks for ``markers``; a point is counted in samples from the first."""
    points, labels = b"", b""
    for number, marker in enumerate(markers, 1):
        sample = round(marker.time_s * sample_rate_hz)
        # Name, place in a play order, chunk, its start, its block, sample in the data chunk.
        points += struct.pack("<II4sIII", number, sample, b"data", 0, 0, sample)
        text = marker.text.encode() + b"\0"
        labels += (
            b"labl" + struct.pack("<II", 4 + len(text), number) + text + b"\0" * (len(text) % 2)
        )
    cue = b"cue " + struct.pack("<II", 4 + len(points), len(markers)) + points
    return cue + b"LIST" + struct.pack("<I", 4 + len(labels)) + b"adtl" + labels


def copy_with_cues(source: Path, target: BinaryIO, markers: Sequence[Marker]) -> None:
    """Write ``source`` with cue points for ``markers`` to ``target``; older ones are left out.

    InputError where it is no RIFF WAVE file, is cut off, or would be too long for one (4 GB).
    """
    with source.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            raise InputError(
                f"{source}: cue points go into WAV files only (RIFF, up to 4 GB); convert it to "
                "WAV first, or export markers as csv or midi instead"
            )
        chunks, rate = _chunks(source, file)
        new = cue_chunks([one for one in markers if one.time_s >= 0.0], rate)
        size = 4 + sum(8 + length + length % 2 for _, length in chunks) + len(new)
        if size > _LARGEST:
            raise InputError(
                f"{source}: too long to take cue points; export markers as csv or midi"
            )
        target.write(b"RIFF" + struct.pack("<I", size) + b"WAVE")
        for start, length in chunks:
            file.seek(start)
            _copy(file, target, 8 + length)
            target.write(b"\0" * (length % 2))
        target.write(new)


def _chunks(source: Path, file: BinaryIO) -> tuple[list[tuple[int, int]], int]:
    """Start and length of every chunk to be kept, and the sample rate."""
    kept, rate = [], 0
    end = source.stat().st_size
    while True:
        start = file.tell()
        head = file.read(8)
        if len(head) < 8:
            break
        name, length = head[:4], int.from_bytes(head[4:], "little")
        if start + 8 + length > end:
            raise InputError(f"{source}: it is cut off inside its {name.decode('latin-1')} chunk")
        if name == b"fmt ":
            rate = int.from_bytes(file.read(8)[4:], "little")
        file.seek(start + 8)
        is_label = name == b"LIST" and file.read(4) == b"adtl"
        if name != b"cue " and not is_label:
            kept.append((start, length))
        file.seek(start + 8 + length + length % 2)
    if not rate:
        raise InputError(f"{source}: it has no fmt chunk, so its sample rate is unknown")
    return kept, rate


def _copy(file: BinaryIO, target: BinaryIO, count: int) -> None:
    while count:
        piece = file.read(min(count, _COPY_BYTES))
        if not piece:
            return
        target.write(piece)
        count -= len(piece)
