"""Polygon meshes read in as layouts: OBJ and PLY.

Sources for the formats: Wavefront, Advanced Visualizer manual, appendix B1 (object files); G. Turk, The PLY polygon
file format, 1994. Nothing is guessed: what is not understood is refused by its line or byte. How large a file may be,
and how much of it is looked at, is bounded before anything is parsed.
"""

from __future__ import annotations

import itertools
import math
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ..errors import DesignError
from ..layout.check import MOST_CELLS
from .opening import read_bytes

Vertices = tuple[tuple[float, float, float], ...]
Faces = tuple[tuple[int, ...], ...]

MOST_BYTES = 128 << 20
"""Size of a mesh file that is read."""
MOST_POINTS = 4 * MOST_CELLS
"""Vertices, and corners of faces, that a mesh may have."""
MOST_MM = 1e6
"""How far from the origin a vertex may lie, mm, along each axis."""
_LONGEST = 1 << 16  # bytes in a line of a header or a text
_CORNER = re.compile(rb"(-?[0-9]{1,9})(?:/-?[0-9]*(?:/-?[0-9]*)?)?\Z")
_NUMBER = re.compile(rb"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,4})?\Z")
_NAME = re.compile(r"[!-~]{1,64}")
_WHOLE = re.compile(rb"[-+]?[0-9]{1,10}\Z")
_IGNORED = frozenset(
    b"vt vn vp g o s mg mtllib usemtl maplib usemap l p lod bevel c_interp d_interp shadow_obj trace_obj".split()
)
"""Statements of an object file that say nothing of its faces."""
_KINDS = {
    **dict.fromkeys(("char", "int8"), "b"),
    **dict.fromkeys(("uchar", "uint8"), "B"),
    **dict.fromkeys(("short", "int16"), "h"),
    **dict.fromkeys(("ushort", "uint16"), "H"),
    **dict.fromkeys(("int", "int32"), "i"),
    **dict.fromkeys(("uint", "uint32"), "I"),
    **dict.fromkeys(("float", "float32"), "f"),
    **dict.fromkeys(("double", "float64"), "d"),
}
"""Number types of PLY by both their names, as struct calls them."""


def read_mesh(path: Path) -> tuple[Vertices, Faces]:
    """Vertices, mm, and faces of an OBJ or PLY file, its path one without a link at its end.

    Vertices keep their order, faces theirs; groups, normals, texture coordinates, materials, lines and points are left
    out.

    Raises
    ------
    DesignError
        The file is no such mesh, or a larger one than a layout may be; it names the line or the byte.
    OSError
        The file cannot be read.
    """
    kind = path.suffix.lower()
    if kind not in (".obj", ".ply"):
        raise DesignError(f'"{kind}" is no mesh format known here', "give an .obj or a .ply file")
    data = read_bytes(path, MOST_BYTES, follow=False)
    if len(data) > MOST_BYTES:
        raise DesignError(f"the file has more than {MOST_BYTES:,} bytes", "give a smaller mesh")
    return parsed_mesh(data, kind)


def parsed_mesh(data: bytes, kind: str) -> tuple[Vertices, Faces]:
    """Vertices, mm, and faces of what an OBJ or PLY file holds; ``kind`` is ``.obj`` or ``.ply``.

    Raises
    ------
    DesignError
        As `read_mesh`.
    """
    vertices, faces = _obj(data) if kind == ".obj" else _ply(data)
    if not faces:
        raise DesignError("the mesh has no face", "give at least one")
    return vertices, faces


def _refuse_count(count: int, most: int, what: str, place: str = "") -> None:
    if count > most:
        raise DesignError(f"{count:,} {what}", f"give at most {most:,}", place)


def _shown(token: bytes) -> str:
    """A piece of a file for a message: short, and nothing but printable ASCII."""
    text = token[:24].decode("latin-1")
    text = "".join(c if " " <= c <= "~" and c != '"' else "?" for c in text)
    return f'"{text}..."' if len(token) > 24 else f'"{text}"'


def _number(token: bytes, place: str) -> float:
    if len(token) > 400 or not _NUMBER.match(token):
        raise DesignError(f"{_shown(token)} is no finite number", "give a decimal number", place)
    value = float(token)
    if not math.isfinite(value):
        raise DesignError(f"{_shown(token)} is too large a number", "give lengths in mm", place)
    return value


def _vertex(x: float, y: float, z: float, place: str) -> tuple[float, float, float]:
    for value in (x, y, z):
        if not abs(value) <= MOST_MM:  # neither is a NaN
            raise DesignError(
                f"a vertex lies at {value:g}", f"give lengths in mm, from -{MOST_MM:,.0f} to {MOST_MM:,.0f}", place
            )
    return x, y, z


def _lines(data: bytes, begin: int = 0, number: int = 1) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers, without the line's end."""
    while begin < len(data):
        end = data.find(b"\n", begin)
        end = len(data) if end < 0 else end
        if end - begin > _LONGEST:
            raise DesignError(f"the line has {end - begin:,} bytes", f"give at most {_LONGEST:,}", f"line {number}")
        yield number, data[begin:end].rstrip(b"\r")
        begin, number = end + 1, number + 1


def _refuse_binary(data: bytes, begin: int = 0) -> None:
    at = data.find(b"\0", begin)
    if at >= 0:
        raise DesignError("a zero byte, which no text has", "give a text file", f"byte {at}")


# ---------------------------------------------------------------------------------------------------------------- OBJ


def _obj(data: bytes) -> tuple[Vertices, Faces]:
    _refuse_binary(data)
    # a mesh far too large is refused without parsing it
    for name, most, what in ((b"f", MOST_CELLS, "faces"), (b"v", MOST_POINTS, "vertices")):
        count = sum(data.count(b"\n" + name + space) for space in (b" ", b"\t")) + (data[:2] == name + b" ")
        _refuse_count(count, most, what)
    vertices: list[tuple[float, float, float]] = []
    faces: list[tuple[int, ...]] = []
    lines: list[int] = []
    corners = 0
    for number, line in _statements(data):
        words = line.split()
        if not words:
            continue
        place = f"line {number}"
        if words[0] == b"v":
            if len(words) not in (4, 5, 7, 8):  # x y z, with a weight, a colour, or a colour and its alpha
                raise DesignError(f"a vertex with {len(words) - 1} numbers", "give x, y and z", place)
            x, y, z, *_ = (_number(word, place) for word in words[1:])
            vertices.append(_vertex(x, y, z, place))
            _refuse_count(len(vertices), MOST_POINTS, "vertices", place)
        elif words[0] == b"f":
            if len(words) < 4:
                raise DesignError(f"a face with {len(words) - 1} corners", "give at least three", place)
            corners += len(words) - 1
            _refuse_count(corners, MOST_POINTS, "corners of faces", place)
            faces.append(tuple(_corner(word, len(vertices), place) for word in words[1:]))
            lines.append(number)
            _refuse_count(len(faces), MOST_CELLS, "faces", place)
        elif words[0] not in _IGNORED:
            raise DesignError(
                f"{_shown(words[0])} is no statement of a polygon mesh", "give vertices (v) and faces (f)", place
            )
    for face, number in zip(faces, lines):
        _refuse_corner(max(face), len(vertices), 1, f"line {number}")
    return tuple(vertices), tuple(faces)


def _statements(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Lines without comments; a backslash at a line's end carries it on."""
    held: list[bytes] = []
    length, first = 0, 0
    for number, line in _lines(data):
        line = line.partition(b"#")[0]
        first = first if held else number
        if line.endswith(b"\\"):
            held.append(line[:-1])
            length += len(line)
            if length > 16 * _LONGEST:
                raise DesignError("the line is carried on too far", "give shorter faces", f"line {first}")
            continue
        yield first, b" ".join([*held, line])
        held, length = [], 0
    if held:
        yield first, b" ".join(held)


def _corner(word: bytes, count: int, place: str) -> int:
    """The vertex, from 0, that ``12``, ``12/3``, ``12//4`` or ``12/3/4`` names; negative ones count from the last."""
    match = _CORNER.match(word)
    if match is None:
        raise DesignError(f"{_shown(word)} is no corner of a face", "give v, v/vt, v//vn or v/vt/vn", place)
    index = int(match[1])
    if index == 0 or index < -count:
        raise DesignError(
            f"the face names vertex {index}",
            f"count from 1, or from -1 back to {-count} here" if count else "give vertices first",
            place,
        )
    return index - 1 if index > 0 else count + index


def _refuse_corner(index: int, count: int, base: int, place: str) -> None:
    if not 0 <= index < count:
        last = count - 1 + base
        remedy = f"vertices run from {base} to {last:,}" if count else "the file has no vertex"
        raise DesignError(f"the face names vertex {index + base}", remedy, place)


# ---------------------------------------------------------------------------------------------------------------- PLY


class _Property(NamedTuple):
    name: str
    kind: str
    counted: str  # the type of a list's count; empty for one number


class _Element(NamedTuple):
    name: str
    number: int
    properties: list[_Property]


def _ply(data: bytes) -> tuple[Vertices, Faces]:
    order, elements, body, line = _header(data)
    found: dict[str, _Element] = {}
    for element in elements:
        if element.name in found:
            raise DesignError(f"two elements {element.name}", "give one", "header")
        if not element.properties and element.number:
            raise DesignError(f"the element {element.name} has no property", "give it one, or leave it out", "header")
        found[element.name] = element
    for name in ("vertex", "face"):
        if name not in found:
            raise DesignError(f"the header has no element {name}", "give vertices and faces", "header")
    # refused from the header alone, before anything is read
    _refuse_count(found["face"].number, MOST_CELLS, "faces", "header")
    for element in elements:
        _refuse_count(element.number, MOST_POINTS, "vertices" if element.name == "vertex" else element.name, "header")
    axes = [_find(found["vertex"], {axis}, listed=False) for axis in "xyz"]
    loop = _find(found["face"], {"vertex_indices", "vertex_index"}, listed=True)
    if found["face"].properties[loop].kind in "fd":
        raise DesignError("corners of faces are not whole numbers", "give an integer type", "header")
    reader: _Text | _Binary = _Binary(data, body, order) if order else _Text(data, body, line)
    vertices: list[tuple[float, float, float]] = []
    faces: list[tuple[int, ...]] = []
    places: list[str] = []
    corners = 0
    for element in elements:
        if element.name == "vertex":
            for place, row in reader.rows(element):
                x, y, z = (float(row[axis][0]) for axis in axes)
                vertices.append(_vertex(x, y, z, place))
        elif element.name == "face":
            for place, row in reader.rows(element):
                face = tuple(int(value) for value in row[loop])
                if len(face) < 3:
                    raise DesignError(f"a face with {len(face)} corners", "give at least three", place)
                corners += len(face)
                _refuse_count(corners, MOST_POINTS, "corners of faces", place)
                faces.append(face)
                places.append(place)
        else:
            for _ in reader.rows(element):
                pass
    reader.finish()
    for face, place in zip(faces, places):
        for index in face:
            _refuse_corner(index, len(vertices), 0, place)
    return tuple(vertices), tuple(faces)


def _find(element: _Element, names: set[str], listed: bool) -> int:
    """Which property of an element is meant."""
    at = [index for index, entry in enumerate(element.properties) if entry.name in names]
    if len(at) != 1 or bool(element.properties[at[0]].counted) is not listed:
        wanted = f"{'a list' if listed else 'a number'} {' or '.join(sorted(names))}"
        raise DesignError(f"the element {element.name} has no such property", f"give it {wanted}", "header")
    return at[0]


def _header(data: bytes) -> tuple[str, list[_Element], int, int]:
    """Byte order (empty for text), elements, where the body begins, and its first line's number."""
    if not re.match(rb"ply\r?\n", data):
        raise DesignError("the file does not begin with ply", "give a PLY file", "byte 0")
    order: str | None = None
    elements: list[_Element] = []
    begin = data.index(b"\n") + 1
    for number in range(2, 1000):
        place = f"line {number}"
        end = data.find(b"\n", begin, begin + _LONGEST)
        if end < 0:
            raise DesignError("the header does not end", "end it with end_header", place)
        line = data[begin:end].rstrip(b"\r")
        begin = end + 1
        words = line.decode("latin-1").split()
        if not all(_NAME.fullmatch(word) for word in words) and words[0] not in ("comment", "obj_info"):
            raise DesignError(f"{_shown(line)} is no line of a header known here", "give plain short names", place)
        match words:
            case [] | ["comment" | "obj_info", *_]:
                continue
            case ["end_header"]:
                if order is None:
                    raise DesignError("the header names no format", "give one", place)
                return order, elements, begin, number + 1
            case ["format", name, "1.0"] if order is None:
                orders = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
                if name not in orders:
                    raise DesignError(
                        f"{_shown(name.encode('latin-1'))} is no format known here", f"give {', '.join(orders)}", place
                    )
                order = orders[name]
            case ["element", name, count] if re.fullmatch(r"[0-9]{1,18}", count, re.ASCII):
                elements.append(_Element(name, int(count), []))
            case ["property", "list", counted, kind, name] if elements and counted in _KINDS and kind in _KINDS:
                if _KINDS[counted] in "fd":
                    raise DesignError("a list counted in broken numbers", "give an integer type", place)
                elements[-1].properties.append(_Property(name, _KINDS[kind], _KINDS[counted]))
            case ["property", kind, name] if elements and kind in _KINDS:
                elements[-1].properties.append(_Property(name, _KINDS[kind], ""))
            case _:
                raise DesignError(
                    f"{_shown(line)} is no line of a header known here", "give element and property lines", place
                )
    raise DesignError("the header has 1,000 lines or more", "give fewer", "line 1000")


Row = list[tuple[float, ...]]


class _Text:
    """Rows of a text file: one a line."""

    def __init__(self, data: bytes, begin: int, line: int) -> None:
        _refuse_binary(data, begin)
        self.lines = ((n, words) for n, text in _lines(data, begin, line) if (words := text.split()))
        self.last = line

    def rows(self, element: _Element) -> Iterator[tuple[str, Row]]:
        """Where each row of an element stands, and the values of its properties."""
        for index in range(element.number):
            number, words = next(self.lines, (self.last, None))
            place = f"line {number}"
            if words is None:
                raise DesignError(
                    f"the file ends after {index:,} of {element.number:,} {element.name} rows", "give them all", place
                )
            self.last = number
            yield place, self._row(element, words, place)

    def _row(self, element: _Element, words: list[bytes], place: str) -> Row:
        row: Row = []
        at = 0
        for entry in element.properties:
            count = 1
            if entry.counted:
                if at >= len(words) or not _WHOLE.match(words[at]) or (count := int(words[at])) < 0:
                    raise DesignError(f"no count of {entry.name}", "give a whole number", place)
                at += 1
            taken = words[at : at + count]
            if len(taken) < count:
                raise DesignError(f"{len(taken)} of {count:,} numbers of {entry.name}", "give them all", place)
            at += count
            if entry.kind in "fd":
                row.append(tuple(_number(word, place) for word in taken))
                continue
            for word in taken:
                if not _WHOLE.match(word):
                    raise DesignError(f"{_shown(word)} is no whole number", f"{entry.name} asks for one", place)
            row.append(tuple(int(word) for word in taken))
        if at < len(words):
            raise DesignError(f"{len(words)} numbers in a row of {at}", "leave the rest out", place)
        return row

    def finish(self) -> None:
        """Refuse more than the header tells of."""
        for number, _ in itertools.islice(self.lines, 1):
            raise DesignError("more rows than the header tells of", "leave them out", f"line {number}")


class _Binary:
    """Rows of a binary file, one after another without a gap."""

    def __init__(self, data: bytes, begin: int, order: str) -> None:
        self.data, self.at, self.order = data, begin, order

    def rows(self, element: _Element) -> Iterator[tuple[str, Row]]:
        """Where each row of an element stands, and the values of its properties."""
        if not any(entry.counted for entry in element.properties):
            yield from self._plain(element)
            return
        order, data = self.order, self.data
        counts = {kind: struct.Struct(order + kind) for kind in "bBhHiI"}
        for index in range(element.number):
            place = f"byte {self.at}"
            row: Row = []
            for entry in element.properties:
                count = 1
                if entry.counted:
                    size = counts[entry.counted].size
                    self._need(size, element, index)
                    (count,) = counts[entry.counted].unpack_from(data, self.at)
                    if count < 0:
                        raise DesignError(f"a list of {count} numbers", "give 0 or more", f"byte {self.at}")
                    self.at += size
                size = count * struct.calcsize(order + entry.kind)
                self._need(size, element, index)
                row.append(struct.unpack_from(f"{order}{count}{entry.kind}", data, self.at))
                self.at += size
            yield place, row

    def _plain(self, element: _Element) -> Iterator[tuple[str, Row]]:
        kinds = [(f"p{i}", np.dtype(self.order + entry.kind)) for i, entry in enumerate(element.properties)]
        table = np.dtype(kinds)
        have = (len(self.data) - self.at) // max(table.itemsize, 1)
        if have < element.number:
            self._need(len(self.data), element, have)
        rows = np.frombuffer(self.data, table, element.number, self.at)
        begin, self.at = self.at, self.at + element.number * table.itemsize
        for index, values in enumerate(rows.tolist()):
            yield f"byte {begin + index * table.itemsize}", [(value,) for value in values]

    def _need(self, size: int, element: _Element, index: int) -> None:
        if self.at + size > len(self.data):
            raise DesignError(
                f"the file ends after {index:,} of {element.number:,} {element.name} rows",
                "give them all",
                f"byte {len(self.data)}",
            )

    def finish(self) -> None:
        """Refuse more than the header tells of; a line's end may follow."""
        if self.data[self.at :].strip(b"\r\n"):
            raise DesignError("more bytes than the header tells of", "leave them out", f"byte {self.at}")
