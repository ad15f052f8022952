"""What is fed with garbage, and what must hold: a refusal of one line, or something that can be written and read again.

Each target takes bytes and returns nothing. Whatever it raises is a fault. There is one for every reader of what comes
from outside: design files, and the designs, reports and lists that the add-on keeps as text in files of Blender's
(``design``, ``kept``); the list of files opened last and the catalogs of asset libraries, which lie in folders of the
user's (``recent``, ``catalogs``); meshes to set strands out on (``obj``, ``ply``); limits of a process (``profile``);
3MF files, which are read back once they are written (``package``). Pictures are opened by Blender alone.

Used by `fuzz.py`, which lets Atheris grow the inputs, and by ``tests/core/test_garbage.py``, which replays those that
were found and mutates a few thousand.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import random
import struct
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

from knotgeom import counting, jsontext
from knotgeom.design import Design, FreeMesh
from knotgeom.errors import DesignError
from knotgeom.files import threemf
from knotgeom.files.incoming import parsed_mesh
from knotgeom.layout.free import check_mesh
from knotgeom.printing.profiles import SHIPPED, as_json, named
from knotgeom.reading import DESIGN, read_text, write_text

ROOT = Path(__file__).resolve().parents[2]
FOUND = Path(__file__).parent / "found"
"""Inputs that once broke something, by target: ``found/design/...``."""
SMALL = 120
"""Cells, faces or pieces up to which a design that is read is woven as well."""


@contextlib.contextmanager
def refused() -> Iterator[None]:
    """A refusal is well said: one printable line with a reason and a remedy."""
    try:
        yield
    except DesignError as error:
        line = str(error)
        assert error.problem and error.remedy and "\n" not in line and line.isprintable(), repr(line)
        assert len(line) < 2000, len(line)


def design(data: bytes) -> None:
    """A design file, its folder one that has a small piece and a small mesh for it to name."""
    with refused():
        read = read_text(data, "fuzz.interlace.json", _folder())
        text = write_text(read)
        assert read_text(text, "again", _folder()) == read
        if _size(read) <= SMALL:
            counting.count(read)


def obj(data: bytes) -> None:
    """An OBJ mesh, taken for a layout where it is one."""
    _mesh(data, ".obj")


def ply(data: bytes) -> None:
    """A PLY mesh, taken for a layout where it is one."""
    _mesh(data, ".ply")


def profile(data: bytes) -> None:
    """A file of a process's limits."""
    path = _folder() / "limits.json"
    path.write_bytes(data)
    with refused():
        named(str(path), "printing" if b"printing" in data else "casting")


def package(data: bytes) -> None:
    """A 3MF file, or the model in one where it begins with no zip file's letters."""
    path = _folder() / "package.3mf"
    if data.startswith(b"PK"):
        path.write_bytes(data)
    else:
        _packed(path, data)
    try:
        read = threemf.read_threemf(path)
    except OSError as error:
        line = str(error)
        assert line and len(line) < 2000, repr(line)
        return
    assert read.bodies and all(body.triangles.max() < len(body.vertices) for body in read.bodies)


def kept(data: bytes) -> None:
    """What the add-on keeps as text in a file of Blender's: a report, or a design shown though it is refused."""
    text = data.decode("utf-8", "surrogateescape")
    assert isinstance(jsontext.kept(text), dict)
    with refused():
        DESIGN.read(jsontext.parsed(text), "")


def recent(data: bytes) -> None:
    """The add-on's list of files opened last: a few paths, which are kept and read as the same ones again."""
    read = TEXTS.paths(data, 10)
    assert len(read) <= 10 and all(isinstance(path, str) for path in read)
    assert TEXTS.paths(TEXTS.list_of(read), 10) == read


def catalogs(data: bytes) -> None:
    """The catalogs of an asset library: ours come to it once each, and not a byte of what was there is lost."""
    new = TEXTS.with_catalogs(data, CATALOGS)
    assert new.startswith(data) and TEXTS.with_catalogs(new, CATALOGS) == new
    # as Blender's manual has such files: lines of uuid, path and name, others begin with # or hold nothing
    lines = [line.strip() for line in new.split(b"\n")]
    said = [line for line in lines if line and not line.startswith(b"#")]
    for name, path, _ in CATALOGS:
        assert sum(line.split(b":")[0].strip().lower() == name.encode() for line in said) >= 1
        assert data or f"{name}:{path}".encode() in new
    assert data or said[0] == b"VERSION 1"


CATALOGS = (
    ("0d8a9f61-59c1-5d4c-8c5b-0d3a1f7a9b02", "Relief Knots/Boards", "Relief Knots-Boards"),
    ("3f0e6a52-8b1d-5a7e-9a44-6b1c2d3e4f50", "Relief Knots/Your Own", "Relief Knots-Your Own"),
)


def _texts() -> ModuleType:
    """The add-on's module, which needs no Blender, without the add-on round it, which does."""
    spec = importlib.util.spec_from_file_location("relief_knots_texts", ROOT / "blender_addon" / "texts.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


TEXTS = _texts()

TARGETS: dict[str, Callable[[bytes], None]] = {
    "design": design,
    "obj": obj,
    "ply": ply,
    "profile": profile,
    "package": package,
    "kept": kept,
    "recent": recent,
    "catalogs": catalogs,
}


def _packed(path: Path, model: bytes) -> None:
    with zipfile.ZipFile(path, "w") as made_of:
        for name, content in {**_PARTS, threemf.MODEL: model}.items():
            made_of.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content)


def _mesh(data: bytes, kind: str) -> None:
    with refused():
        vertices, faces = parsed_mesh(data, kind)
        assert all(0 <= corner < len(vertices) for face in faces for corner in face)
        layout = FreeMesh(vertices, faces)
        check_mesh(layout)
        if len(faces) <= SMALL:
            counting.count(Design(layout))


def _size(read: Design) -> int:
    text = len(write_text(read))
    layout = read.layout
    numbers = [
        value
        for name in ("columns", "rows", "sectors", "deep", "repeats", "inside")
        for value in [getattr(layout, name, 1)]
        for value in (value if isinstance(value, tuple) else (value,))
    ]
    cells = 1
    for number in numbers:
        cells *= number
    return max(cells, text // 100)


_MADE: list[Path] = []


def _folder() -> Path:
    """A folder with what designs may name, made once for the process."""
    if not _MADE:
        place = Path(tempfile.mkdtemp(prefix="knotgeom-fuzz-"))
        (place / "piece.json").write_text('{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}}')
        (place / "mesh.obj").write_text("v 0 0 0\nv 10 0 0\nv 10 10 0\nv 0 10 0\nf 1 2 3\nf 1 3 4\n")
        loop = '{"interlace": 1, "layout": {"panel": {"pieces": [{"file": "self.json"}, {"file": "self.json"}]}}}'
        (place / "self.json").write_text(loop)
        _MADE.append(place)
    return _MADE[0]


# -------------------------------------------------------------------------------------------------------- the corpus

_PANEL = b"""{"interlace": 1, "layout": {"panel": {"pieces": [{"file": "piece.json"},
 {"file": "piece.json", "at": [20, 0], "turn": 90, "mirror": true}], "joins": "all"}}}"""
_LAYOUTS = (
    b'{"ring": {"sectors": 7, "rows": 2, "inner": 25, "outer": 50}}',
    b'{"strip": {"cells": [3, 2], "cell": 10, "repeats": 2, "upper_edge": "crossed", "surface": {"sphere": 60}}}',
    b'{"strip": {"cells": [2, 2], "cell": 10, "repeats": 5, "surface": {"turned": [[16, 0], [20, 12], [16, 26]]}}}',
    b'{"border": {"inside": [2, 1], "rows": 1, "cell": 10, "corners": "mitred"}}',
    b'{"border": {"inside": [2, 1], "rows": 1, "cell": 10}}',
    b'{"ring": {"sectors": 7, "rows": 2, "inner": 0, "outer": 50, "surface": {"dome": 9}}}',
    b'{"mesh": {"file": "mesh.obj"}}',
    b'{"mesh": {"vertices": [[0,0,0],[20,0,0],[10,17,0]], "faces": [[0,1,2]], "boundary": "crossed"}}',
)
_OBJ = (
    b"o a\nv 0 0 0\nv 10 0 0 1.0\nv 10 10 0\nv 0 10 0 .5 .5 .5\nvt 0 0\nf 1 2 3 4\nv 20 0 0\nf 2/1 5//1 -3/1/1 \\\n\n"
)
_PARTS = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    f'<Default Extension="rels" ContentType="{threemf.RELATIONS_TYPE}"/>'
    f'<Default Extension="model" ContentType="{threemf.MODEL_TYPE}"/></Types>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/{threemf.MODEL}" Id="rel0" Type="{threemf.MODEL_RELATION}"/></Relationships>',
}
_MODEL = (
    f'<model unit="millimeter" xml:lang="en-US" xmlns="{threemf.CORE}"><metadata name="Title">a</metadata><resources>'
    '<object id="1" type="model" name="b"><mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1e1" y="0" z="0"/>'
    '<vertex x="0" y="9.5" z="0"/><vertex x="0" y="0" z="-8"/></vertices><triangles><triangle v1="0" v2="1" v3="2"/>'
    '<triangle v1="0" v2="3" v3="1"/><triangle v1="1" v2="3" v3="2"/><triangle v1="2" v2="3" v3="0"/></triangles>'
    '</mesh></object></resources><build><item objectid="1" transform="1 0 0 0 1 0 0 0 1 5 0 8"/></build></model>'
).encode()
_HEAD = (
    "ply\nformat {} 1.0\nelement vertex 4\nproperty double x\nproperty double y\nproperty double z\n"
    "element face 1\nproperty list uchar int vertex_indices\nend_header\n"
)


def _ply(order: str) -> bytes:
    points = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0)]
    if not order:
        rows = "\n".join(" ".join(map(str, point)) for point in points) + "\n4 0 1 2 3\n"
        return (_HEAD.format("ascii") + rows).encode()
    name = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    body = b"".join(struct.pack(f"{order}3d", *point) for point in points) + struct.pack(f"{order}B4i", 4, 0, 1, 2, 3)
    return _HEAD.format(name).encode() + body


def _catalog_lines() -> list[bytes]:
    return [":".join(CATALOGS[0]).encode(), ":".join(CATALOGS[0]).upper().encode()]


def corpus(target: str) -> list[bytes]:
    """Inputs to begin with: the demonstration designs, one design for each layout, small meshes and files."""
    if target in ("design", "kept"):
        files = sorted((ROOT / "demo_scenes" / "designs").glob("*.json"))
        files += sorted((ROOT / "blender_addon" / "presets").glob("*/*.json"))
        small = [path.read_bytes() for path in files if path.stat().st_size < 20_000]
        return [*small, _PANEL, *(b'{"interlace": 1, "layout": ' + layout + b"}" for layout in _LAYOUTS)]
    if target == "obj":
        return [_OBJ]
    if target == "ply":
        return [_ply(""), _ply("<"), _ply(">")]
    if target == "recent":
        return [b'["/home/a.interlace.json",\n "C:\\\\b.json", "\\ud800", "\\u0000"]', b"[]", b""]
    if target == "catalogs":
        others = b"11111111-2222-3333-4444-555555555555:Chairs/Tall:Chairs-Tall"
        lines = [b"# VERSION 1", b"VERSION 1", b"", others, "Stühle".encode("latin-1"), *_catalog_lines()]
        return [b"\n".join(lines), b"\r\n".join(lines), b"VERSION 1\n\n" + others, b"\xef\xbb\xbfVERSION 1\n", b""]
    if target == "package":
        whole = _folder() / "whole.3mf"
        _packed(whole, _MODEL)
        return [_MODEL, whole.read_bytes()]
    return [json.dumps(as_json(limits)).encode() for limits in SHIPPED.values()]


def found(target: str) -> list[bytes]:
    """Inputs of a target that once broke something."""
    return [path.read_bytes() for path in sorted((FOUND / target).glob("*"))]


_PIECES = (
    b"{", b"}", b"[", b"]", b",", b":", b'"', b"-1", b"0", b"1e999", b"1e-320", b"NaN", b"null", b"true", b"9" * 400,
    b"250001", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\\u0000", b"\\ud800", b"../piece.json", b"self.json", b"\n",
    b"\r\n", b"\\\n", b"f 1 1 1\n", b"v 1e7 0 0\n", b"4294967295", b"-2147483648", b"[[[[[[[[", b"#", b"0.0000001",
    b"<!DOCTYPE x [<!ENTITY a 'aaaa'>]>", b"&a;", b"<vertex/>", b"'",
)  # fmt: skip


_VALUES = (
    None, True, -1, 0, 1, 2, 0.5, 1e-9, 1e9, 1e300, 10**40, float("nan"), "", "x", "rising", "../x",
    [], [[]], {}, [0, 0], [1, 2, "rising"], {"file": "mesh.obj"}, {"grid": [2, 3], "cell": 10}, {"dome": 5},
    "cylinder", "carved", "all",
)  # fmt: skip


def _changed_json(rng: random.Random, value: object) -> object:
    """The value with one thing in it changed, taken out or put somewhere else."""
    if isinstance(value, dict) and value and rng.random() < 0.9:
        key = rng.choice(list(value))
        if rng.random() < 0.1:
            return {name: item for name, item in value.items() if name != key}
        return {**value, key: _changed_json(rng, value[key])}
    if isinstance(value, list) and value and rng.random() < 0.8:
        at = rng.randrange(len(value))
        if rng.random() < 0.2:
            return value[:at] + value[at + 1 :] if rng.random() < 0.5 else [*value, value[at]]
        return [*value[:at], _changed_json(rng, value[at]), *value[at + 1 :]]
    if isinstance(value, int | float) and abs(value) < 1e300 and rng.random() < 0.6:
        return rng.choice((value + 1, value - 1, -value, 2 * value, value / 2, value * 10))
    return rng.choice(_VALUES)


def _json_of(data: bytes) -> object:
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        return None


def mutated(rng: random.Random, seeds: list[bytes]) -> bytes:
    """One of the seeds with a few bytes changed, taken out, doubled, or joined with another."""
    data = bytearray(rng.choice(seeds))
    if data[:1] == b"{" and rng.random() < 0.6 and (changed := _json_of(bytes(data))) is not None:
        for _ in range(rng.choice((1, 1, 2, 4))):
            changed = _changed_json(rng, changed)
        return json.dumps(changed).encode()
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        stop = min(len(data), at + rng.choice((1, 1, 2, 4, 16, 64)))
        match rng.randrange(7):
            case 0 if data:
                data[min(at, len(data) - 1)] = rng.randrange(256)
            case 1:
                del data[at:stop]
            case 2:
                data[at:at] = rng.choice(_PIECES)
            case 3:
                data[at:stop] = rng.choice(_PIECES)
            case 4:
                data[at:at] = data[at:stop] * rng.choice((1, 2, 8))
            case 5:
                other = rng.choice(seeds)
                begin = rng.randrange(len(other) + 1)
                data[at:stop] = other[begin : begin + rng.choice((4, 32, 256))]
            case _:
                data[at:stop] = str(rng.choice((0, -1, 1, 7, 255, 65536, 10**9, 10**30))).encode()
    return bytes(data)


def clear() -> None:
    """Take the folder away again."""
    while _MADE:
        place = _MADE.pop()
        for path in place.iterdir():
            path.unlink()
        os.rmdir(place)
