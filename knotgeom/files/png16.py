"""PNG without a library: grey or colour of 8 or 16 bits, for heights and pictures; with texts and a pixel's size.

After the PNG specification (W3C, third edition, 2025; also ISO/IEC 15948).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_ROWS = 256  # packed together, to bound the memory
_UP = 2  # the filter that writes each byte as the difference from the one above


def encode(
    pixels: NDArray[Any], texts: Mapping[str, str], pitch: float | None = None, level: int = 6
) -> Iterator[bytes]:
    """The pieces of a PNG file.

    Parameters
    ----------
    pixels : (rows, columns) or (rows, columns, 3 or 4) uint8 or uint16
        Grey, colour, or colour with alpha. Row 0 at the top.
    texts : mapping
        Keyword (at most 79 letters) to text, ISO 8859-1 both.
    pitch : float, optional
        mm per pixel, for the chunk pHYs.
    level : int
        How hard to pack, 0 to 9.
    """
    colour = {(): 0, (3,): 2, (4,): 6}.get(pixels.shape[2:], -1)
    if colour < 0 or pixels.ndim < 2 or pixels.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"pixels of shape {pixels.shape} and type {pixels.dtype}")
    depth, big = (16, pixels.astype(">u2", copy=False)) if pixels.dtype == np.uint16 else (8, pixels)
    rows, columns = pixels.shape[:2]
    yield SIGNATURE
    yield _chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, depth, colour, 0, 0, 0))
    if pitch is not None:
        per_metre = round(1000 / pitch)
        yield _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
    for key, text in texts.items():
        if not 0 < len(key) < 80:
            raise ValueError(f"a keyword of {len(key)} letters")
        yield _chunk(b"tEXt", key.encode("latin-1") + b"\0" + text.encode("latin-1"))
    packer = zlib.compressobj(level)
    above = np.zeros((1, big[:1].nbytes), np.uint8)
    for first in range(0, rows, _ROWS):
        part = np.ascontiguousarray(big[first : first + _ROWS])
        raw = part.view(np.uint8).reshape(len(part), -1)
        lines = np.empty((len(part), raw.shape[1] + 1), np.uint8)
        lines[:, 0] = _UP
        np.subtract(raw, np.concatenate([above, raw[:-1]]), out=lines[:, 1:])
        above = raw[-1:].copy()
        packed = packer.compress(lines.tobytes())
        if packed:
            yield _chunk(b"IDAT", packed)
    yield _chunk(b"IDAT", packer.flush())
    yield _chunk(b"IEND", b"")


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))
