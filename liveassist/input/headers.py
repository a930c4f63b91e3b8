"""How long a WAV or AIFF header says its audio is.

The reading library takes the length from the size of the file instead, so that a file cut short
(a full disk, a broken copy) looks like a shorter recording. Chunk layout: RIFF/WAVE and EA IFF 85
(big-endian); FLAC needs nothing here, since its length is read from the stream header.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

#: Sizes that a recorder writes while the length is not known yet, or that refer to a 64-bit size.
_UNKNOWN_SIZES = (0, 0xFFFFFFFF)
#: PCM, IEEE float, extensible: those whose block size is one frame.
_PLAIN_FORMATS = (0x0001, 0x0003, 0xFFFE)


def announced_frames(path: Path) -> int | None:
    """Frames by the header of a WAV or AIFF file; None if it does not say or is another format."""
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] in (b"RIFF", b"RIFX") and head[8:12] == b"WAVE":
            order = "<" if head[:4] == b"RIFF" else ">"
            return _wave_frames(file, order)
        if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
            return _aiff_frames(file)
    return None


def _wave_frames(file: BinaryIO, order: str) -> int | None:
    frame_bytes = 0
    while chunk := _next_chunk(file, order):
        name, size = chunk
        if name == b"fmt ":
            fields = file.read(16)
            if len(fields) < 16:
                return None
            tag = struct.unpack_from(order + "H", fields, 0)[0]
            if tag not in _PLAIN_FORMATS:
                return None
            frame_bytes = struct.unpack_from(order + "H", fields, 12)[0]
            _skip(file, size, 16)
        elif name == b"data":
            known = size not in _UNKNOWN_SIZES and frame_bytes > 0
            return size // frame_bytes if known else None
        else:
            _skip(file, size, 0)
    return None


def _aiff_frames(file: BinaryIO) -> int | None:
    while chunk := _next_chunk(file, ">"):
        name, size = chunk
        if name == b"COMM":
            fields = file.read(6)
            if len(fields) < 6:
                return None
            frames = int(struct.unpack_from(">I", fields, 2)[0])
            return frames if frames not in _UNKNOWN_SIZES else None
        _skip(file, size, 0)
    return None


def _next_chunk(file: BinaryIO, order: str) -> tuple[bytes, int] | None:
    head = file.read(8)
    if len(head) < 8:
        return None
    return head[:4], int(struct.unpack_from(order + "I", head, 4)[0])


def _skip(file: BinaryIO, size: int, read: int) -> None:
    # Chunks are padded to an even length.
    file.seek(size + (size & 1) - read, 1)
