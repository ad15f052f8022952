"""3MF: closed bodies in mm with names, metadata and a small picture; elements of the core specification only.

Written after the 3MF Core Specification 1.3 and the Open Packaging Conventions (ECMA-376 part 2). Nothing of an
extension is used, so every reader of 3MF can read it, a strict one too. The same bodies give the same bytes. A file is
read back and compared with what it should hold before it gets its name.
"""

from __future__ import annotations

import os
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ..clean import is_closed
from ..errors import DesignError
from ..mesh import Floats, Ints, Mesh, all_triangles
from . import whole

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MODEL_TYPE = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
RELATIONS_TYPE = "application/vnd.openxmlformats-package.relationships+xml"
MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
THUMBNAIL_RELATION = "http://schemas.openxmlformats.org/package/2006/relationships/metadata/thumbnail"
_TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
MODEL, THUMBNAIL = "3D/3dmodel.model", "Metadata/thumbnail.png"

NAMES = (
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
)
"""Names of metadata that the core specification knows; others would need a namespace of their own."""

MOST_BYTES = 1 << 31
"""Size of a file, unpacked, that is read."""
_UNSOUND = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,  # packed in a way that is not known here
    RuntimeError,  # encrypted
    ElementTree.ParseError,
    KeyError,
    ValueError,
    OverflowError,
)
_ROWS = 50_000  # rows of text made at once, to bound the memory
_PNG = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A closed body and the name that a printer's program shows for it."""

    mesh: Mesh
    name: str


@dataclass(frozen=True, slots=True, eq=False)
class ReadBody:
    """A body as it stands in a file: ``vertices`` (n, 3) float64 mm and ``triangles`` (t, 3) int64.

    ``offset`` is how far the build item moves it, mm.
    """

    name: str
    vertices: Floats
    triangles: Ints
    offset: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """What a 3MF file holds."""

    bodies: tuple[ReadBody, ...]
    metadata: Mapping[str, str] = field(default_factory=dict)
    thumbnail: bytes | None = None


def write_threemf(
    path: str | os.PathLike[str],
    bodies: Sequence[Body],
    *,
    title: str = "",
    thumbnail: bytes | None = None,
    metadata: Mapping[str, str] | None = None,
) -> None:
    """Write closed bodies as one 3MF file, whole or not at all.

    Vertices keep their coordinates; the items of the build move all bodies by the same way into the corner where no
    coordinate is negative, as the specification wishes. Whatever stood under the name is replaced.

    Parameters
    ----------
    path : path-like
    bodies : sequence of Body
        One object and one build item each. Closed, every edge with two faces that turn the same way.
    title : str
    thumbnail : bytes, optional
        The content of a PNG file.
    metadata : mapping, optional
        Names out of :data:`NAMES` and their texts.

    Raises
    ------
    DesignError
        A body is not closed, or a name of metadata is not known.
    OSError
        The file cannot be written, or does not read back as it should; what stood there before is untouched.
    """
    file = os.fspath(path)
    named = {"Title": title} if title else {}
    named |= dict(metadata or {})
    for name in named:
        if name not in NAMES:
            raise DesignError(f'metadata named "{name}"', f"give one of {', '.join(NAMES)}", file=file)
    if thumbnail is not None and not thumbnail.startswith(_PNG):
        raise DesignError("the thumbnail is no PNG", "give the content of a PNG file", file=file)
    if not bodies:
        raise DesignError("there is no body to write", "give one or more", file=file)
    held = [_held(body, file) for body in bodies]
    low = np.min([vertices.min(0) for vertices, _ in held], axis=0)
    offset = (-low + 0.0).astype(np.float32)
    with whole.replacing(path) as spare:
        with zipfile.ZipFile(spare, "w") as package:
            _part(package, "[Content_Types].xml", _content_types(thumbnail is not None))
            _part(package, "_rels/.rels", _relations(thumbnail is not None))
            with package.open(_entry(MODEL), "w", force_zip64=True) as stream:
                stream.writelines(_model(held, [body.name for body in bodies], named, offset))
            if thumbnail is not None:
                _part(package, THUMBNAIL, thumbnail)
        _compare(read_threemf(spare), held, named, thumbnail)


def read_threemf(path: str | os.PathLike[str]) -> Read:
    """Read a 3MF file of plain bodies, strictly: anything that the core specification forbids is refused.

    So is what it allows but :func:`write_threemf` never writes: units other than mm, components, transforms that turn
    or scale, materials and extensions.

    Raises
    ------
    OSError
        The file cannot be read, or is not such a file.
    """
    file = os.fspath(path)
    try:
        with zipfile.ZipFile(path) as package:
            names = package.namelist()
            if len(set(names)) != len(names):
                raise OSError(f"{file}: a part stands twice in the package")
            if sum(entry.file_size for entry in package.infolist()) > MOST_BYTES:
                raise OSError(f"{file}: more than {MOST_BYTES:,} bytes when unpacked")
            broken = package.testzip()
            if broken is not None:
                raise OSError(f"{file}: the part {broken} is damaged")
            model, picture = _start(package, names, file)
            thumbnail = None if picture is None else package.read(picture)
            return _parsed(_tree(package, model, file), thumbnail, file)
    except _UNSOUND as error:
        raise OSError(f"{file}: no sound 3MF file ({error})") from error


# ------------------------------------------------------------------------------------------------------------ writing


def _held(body: Body, file: str) -> tuple[Floats, Ints]:
    """Vertices in single precision, which is what readers keep, and triangles; only vertices that are used."""
    triangles = all_triangles(body.mesh).astype(np.int64)
    if not len(triangles) or not is_closed(triangles, len(body.mesh.vertices)):
        raise DesignError(
            f'the body "{body.name}" is not closed', "give one where every edge has exactly two faces", file=file
        )
    used, inverse = np.unique(triangles, return_inverse=True)
    vertices = body.mesh.vertices[used].astype(np.float32)
    if not np.isfinite(vertices).all():
        raise DesignError(f'the body "{body.name}" has vertices that are not finite', "give finite ones", file=file)
    return vertices, np.asarray(inverse).reshape(-1, 3)


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))  # the earliest date that the format knows
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o644 << 16
    return entry


def _part(package: zipfile.ZipFile, name: str, content: bytes) -> None:
    package.writestr(_entry(name), content)


def _content_types(picture: bool) -> bytes:
    png = '<Default Extension="png" ContentType="image/png"/>' if picture else ""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Types xmlns="{_TYPES}">'
        f'<Default Extension="rels" ContentType="{RELATIONS_TYPE}"/>'
        f'<Default Extension="model" ContentType="{MODEL_TYPE}"/>{png}</Types>\n'
    ).encode()


def _relations(picture: bool) -> bytes:
    second = f'<Relationship Target="/{THUMBNAIL}" Id="rel1" Type="{THUMBNAIL_RELATION}"/>' if picture else ""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Relationships xmlns="{_RELATIONS}">'
        f'<Relationship Target="/{MODEL}" Id="rel0" Type="{MODEL_RELATION}"/>{second}</Relationships>\n'
    ).encode()


def _model(
    held: Sequence[tuple[Floats, Ints]], names: Sequence[str], metadata: Mapping[str, str], offset: Floats
) -> Iterator[bytes]:
    yield (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">\n'
    ).encode()
    for name, text in metadata.items():
        yield f"<metadata name={quoteattr(name)}>{escape(_plain(text))}</metadata>\n".encode()
    yield b"<resources>\n"
    for number, ((vertices, triangles), name) in enumerate(zip(held, names), 1):
        yield f'<object id="{number}" type="model" name={quoteattr(_plain(name))}>\n<mesh>\n<vertices>\n'.encode()
        yield from _rows('<vertex x="%.9g" y="%.9g" z="%.9g"/>\n', vertices.astype(float) + 0.0)
        yield b"</vertices>\n<triangles>\n"
        yield from _rows('<triangle v1="%d" v2="%d" v3="%d"/>\n', triangles)
        yield b"</triangles>\n</mesh>\n</object>\n"
    yield b"</resources>\n<build>\n"
    x, y, z = (float(value) for value in offset)
    for number in range(1, len(held) + 1):
        yield f'<item objectid="{number}" transform="1 0 0 0 1 0 0 0 1 {x:.9g} {y:.9g} {z:.9g}"/>\n'.encode()
    yield b"</build>\n</model>\n"


def _plain(text: str) -> str:
    """Text without what XML 1.0 cannot hold."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable() or c == " ")


def _rows(line: str, rows: Floats | Ints) -> Iterator[bytes]:
    for start in range(0, len(rows), _ROWS):
        part = rows[start : start + _ROWS]
        yield (line * len(part) % tuple(part.ravel().tolist())).encode("ascii")


def _compare(
    read: Read, held: Sequence[tuple[Floats, Ints]], metadata: Mapping[str, str], thumbnail: bytes | None
) -> None:
    """Refuse to give a file its name if it does not hold what was to be written."""
    same = (
        len(read.bodies) == len(held)
        and all(
            np.array_equal(body.vertices.astype(np.float32), vertices) and np.array_equal(body.triangles, triangles)
            for body, (vertices, triangles) in zip(read.bodies, held)
        )
        and dict(read.metadata) == {name: _plain(text) for name, text in metadata.items()}
        and read.thumbnail == thumbnail
    )
    if not same:
        raise OSError("the 3MF file does not read back as it was written")


# ------------------------------------------------------------------------------------------------------------ reading


def _start(package: zipfile.ZipFile, names: Sequence[str], file: str) -> tuple[str, str | None]:
    """The parts that hold the model and the picture, found as the packaging conventions say."""
    types = _tree(package, "[Content_Types].xml", file)
    known = {
        str(entry.get("Extension")).lower(): entry.get("ContentType") for entry in types.iter(f"{{{_TYPES}}}Default")
    }
    targets: dict[str, list[str]] = {}
    for relation in _tree(package, "_rels/.rels", file):
        if relation.tag != f"{{{_RELATIONS}}}Relationship" or not relation.get("Id"):
            raise OSError(f"{file}: a relationship that is none")
        targets.setdefault(str(relation.get("Type")), []).append(str(relation.get("Target")).lstrip("/"))
    models, pictures = targets.pop(MODEL_RELATION, []), targets.pop(THUMBNAIL_RELATION, [])
    if len(models) != 1 or len(pictures) > 1 or targets:
        raise OSError(f"{file}: relationships to one model and at most one picture are expected")
    for part, wanted in [(models[0], MODEL_TYPE), *((name, "image/png") for name in pictures)]:
        if part not in names or known.get(Path(part).suffix[1:].lower()) != wanted:
            raise OSError(f"{file}: the part {part} is missing or of no known type")
    return models[0], pictures[0] if pictures else None


_MODEL_CHILDREN = [f"{{{CORE}}}{name}" for name in ("metadata", "resources", "build")]
_LANG = "{http://www.w3.org/XML/1998/namespace}lang"


def _tree(package: zipfile.ZipFile, part: str, file: str) -> ElementTree.Element:
    """An XML part; without a document type, whose entities could grow without bound."""
    text = package.read(part)
    if b"\0" in text:  # nor hidden in UTF-16
        raise OSError(f"{file}: the part {part} is not UTF-8 text")
    if b"<!DOCTYPE" in text:
        raise OSError(f"{file}: a document type, which the specification forbids")
    return ElementTree.fromstring(text)


def _parsed(root: ElementTree.Element, thumbnail: bytes | None, file: str) -> Read:
    _expect(root, "model", {"unit", _LANG}, file)
    if root.get("unit") != "millimeter":
        raise OSError(f"{file}: the unit is {root.get('unit')}, not millimeter")
    order = [child.tag for child in root]
    if order != sorted(order, key=_MODEL_CHILDREN.index) or order[-2:] != _MODEL_CHILDREN[1:]:
        raise OSError(f"{file}: metadata, resources and build are expected, in this order")
    metadata: dict[str, str] = {}
    for entry in root[:-2]:
        _expect(entry, "metadata", {"name"}, file)
        name = str(entry.get("name"))
        if name not in NAMES or name in metadata:
            raise OSError(f'{file}: metadata "{name}" unknown or repeated')
        metadata[name] = entry.text or ""
    objects: dict[str, tuple[str, Floats, Ints]] = {}
    for one in root[-2]:
        _expect(one, "object", {"id", "type", "name"}, file)
        number = str(one.get("id"))
        if number in objects or not number.isdigit() or int(number) < 1 or one.get("type", "model") != "model":
            raise OSError(f"{file}: an object without a number of its own, or no model")
        objects[number] = (str(one.get("name", "")), *_mesh(one, file))
    bodies = []
    for item in root[-1]:
        _expect(item, "item", {"objectid", "transform"}, file)
        name, vertices, triangles = objects[str(item.get("objectid"))]
        moved = [float(part) for part in item.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split()]
        if len(moved) != 12 or moved[:9] != [1, 0, 0, 0, 1, 0, 0, 0, 1]:
            raise OSError(f"{file}: a transform that does more than move")
        bodies.append(ReadBody(name, vertices, triangles, (moved[9], moved[10], moved[11])))
    if not bodies:
        raise OSError(f"{file}: nothing is to be built")
    return Read(tuple(bodies), metadata, thumbnail)


def _expect(element: ElementTree.Element, name: str, attributes: set[str], file: str) -> None:
    if element.tag != f"{{{CORE}}}{name}" or not set(element.keys()) <= attributes:
        raise OSError(f"{file}: {element.tag} {sorted(element.keys())} where {name} is expected")


def _mesh(element: ElementTree.Element, file: str) -> tuple[Floats, Ints]:
    if len(element) != 1 or [child.tag for child in element[0]] != [f"{{{CORE}}}vertices", f"{{{CORE}}}triangles"]:
        raise OSError(f"{file}: an object that is no mesh of vertices and triangles")
    points, corners = element[0]
    for rows, name, keys in ((points, "vertex", ["x", "y", "z"]), (corners, "triangle", ["v1", "v2", "v3"])):
        if any(row.tag != f"{{{CORE}}}{name}" or row.keys() != keys for row in rows):
            raise OSError(f"{file}: a {name} with more or less than {', '.join(keys)}")
    vertices = np.array([list(row.attrib.values()) for row in points], dtype=object).astype(np.float64).reshape(-1, 3)
    flat = [int(value) for row in corners for value in row.attrib.values()]
    triangles = np.array(flat, np.int64).reshape(-1, 3)
    if len(vertices) < 3 or not np.isfinite(vertices).all():
        raise OSError(f"{file}: a mesh of {len(vertices)} vertices, or with one that is not finite")
    if not len(triangles) or triangles.min() < 0 or triangles.max() >= len(vertices):
        raise OSError(f"{file}: a triangle names a vertex that is not there")
    if (triangles == np.roll(triangles, 1, axis=1)).any() or not is_closed(triangles, len(vertices)):
        raise OSError(f"{file}: a body that is not closed, or whose faces turn different ways")
    return vertices, triangles
