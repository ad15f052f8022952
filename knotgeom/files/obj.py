"""Wavefront OBJ: quads and triangles with UVs, one group for each circuit. Lengths and UVs in mm."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from ..mesh import Floats, Ints, Mesh

_DIGITS = 6  # a millionth of a mm
_ROWS = 50_000  # rows formatted at once, to bound the memory


def encode(mesh: Mesh) -> list[bytes]:
    """The content of an OBJ file."""
    corner_uv = np.concatenate([mesh.quad_uv.reshape(-1, 2), mesh.triangle_uv.reshape(-1, 2)])
    quad_uv = np.arange(4 * len(mesh.quads)).reshape(-1, 4)
    triangle_uv = np.arange(3 * len(mesh.triangles)).reshape(-1, 3) + quad_uv.size
    pieces = [b"# lengths and UVs in mm, z up\n"]
    pieces += _numbers("v", mesh.vertices)
    pieces += _numbers("vt", corner_uv)
    for circuit in np.union1d(mesh.quad_strand, mesh.triangle_strand):
        pieces.append(f"g circuit_{circuit}\n".encode("ascii"))
        of_quads, of_triangles = mesh.quad_strand == circuit, mesh.triangle_strand == circuit
        pieces += _faces(mesh.quads[of_quads], quad_uv[of_quads])
        pieces += _faces(mesh.triangles[of_triangles], triangle_uv[of_triangles])
    return pieces


def encode_objects(objects: Iterable[tuple[str, Floats, Floats, Floats, Ints]], words: str) -> Iterator[bytes]:
    """The content of an OBJ file of several objects: (name, places, normals, uv, triangles) each.

    Parameters
    ----------
    words : str
        The comment that the file begins with, which says units and axes.
    """
    yield f"# {words}\n".encode("ascii")
    before = 1
    for name, places, normals, uv, triangles in objects:
        yield f"o {name}\n".encode("ascii")
        yield from _numbers("v", places)
        yield from _numbers("vt", uv)
        yield from _numbers("vn", normals)
        corners = np.repeat(triangles + before, 3, axis=1)
        yield from _lines(f"f{' %d/%d/%d' * 3}\n", corners)
        before += len(places)


def _numbers(word: str, rows: Floats) -> Iterator[bytes]:
    line = f"{word}{f' %.{_DIGITS}f' * rows.shape[1]}\n"
    # Rounded first and then added to zero, so that no "-0.000000" is written.
    return _lines(line, np.round(rows.astype(float), _DIGITS) + 0.0)


def _faces(corners: Ints, uv: Ints) -> Iterator[bytes]:
    both = np.stack([corners, uv], axis=2).reshape(len(corners), 2 * corners.shape[1]) + 1
    return _lines(f"f{' %d/%d' * corners.shape[1]}\n", both)


def _lines(line: str, rows: Floats | Ints) -> Iterator[bytes]:
    for start in range(0, len(rows), _ROWS):
        part = rows[start : start + _ROWS]
        yield (line * len(part) % tuple(part.ravel().tolist())).encode("ascii")
