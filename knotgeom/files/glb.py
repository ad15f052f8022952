"""Scenes as binary glTF 2.0 (ISO/IEC 12113:2022): one file, metres, y up. The same scene gives the same bytes.

Given are mm, z up, and uv with v up, as everywhere here; all is turned on the way: x stays, z becomes y, y becomes -z,
v is counted downward.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats, Ints

FLOAT, SHORT, INT = 5126, 5123, 5125  # component types: float32, uint16, uint32
VERTICES, INDICES = 34962, 34963  # what a view is for
REPEAT, LINEAR, SMOOTH = 10497, 9729, 9987
_MAGIC, _JSON, _BIN = 0x46546C67, 0x4E4F534A, 0x004E4942


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Triangles with what is said of their vertices.

    Attributes
    ----------
    positions : (v, 3) float64
        mm, z up.
    triangles : (t, 3) int
    normals : (v, 3) float64, optional
        Unit length.
    tangents : (v, 4) float64, optional
        Unit length, and the sign of the bitangent, which points up the sheet.
    uvs : tuple of (v, 2) float
        v up.
    own : mapping of str to (v,) float
        Further numbers; their names are written in capitals after an underscore.
    material : int
        -1 for none.
    """

    positions: Floats
    triangles: Ints
    normals: Floats | None = None
    tangents: Floats | None = None
    uvs: tuple[Floats, ...] = ()
    own: Mapping[str, Floats | Ints] = field(default_factory=dict)
    material: int = -1


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """A named thing in the scene, moved to ``place`` (mm, z up); ``facts`` are kept beside it for programs."""

    name: str
    surface: Surface
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Material:
    """Metal and roughness; images are numbers into the scene's, -1 for none.

    ``colour`` is linear red, green, blue. ``normal`` has its green up the sheet; ``packed`` has occlusion, roughness
    and metal in red, green and blue, and is multiplied by the numbers given. ``cutoff`` hides what the alpha of
    ``base`` leaves below it.
    """

    name: str
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    roughness: float = 1.0
    metal: float = 0.0
    base: int = -1
    normal: int = -1
    packed: int = -1
    both_sides: bool = False
    cutoff: float | None = None


def encode(
    nodes: Sequence[Node],
    materials: Sequence[Material] = (),
    images: Sequence[tuple[str, bytes]] = (),
    *,
    generator: str = "knotgeom",
    facts: Mapping[str, Any] | None = None,
) -> list[bytes]:
    """The content of a GLB file.

    Parameters
    ----------
    images : sequence of (name, content of a PNG file)
    facts : mapping, optional
        Kept with the scene for programs; ready for JSON.

    Raises
    ------
    ValueError
        Two nodes of one name, a number that is not finite, or a normal without length.
    """
    names = [node.name for node in nodes]
    if len(set(names)) < len(names):
        raise ValueError("two nodes of one name")
    binary = _Binary()
    meshes = [{"name": node.name, "primitives": [_primitive(node.surface, binary)]} for node in nodes]
    root: dict[str, Any] = {
        "asset": {"version": "2.0", "generator": generator},
        "scene": 0,
        "scenes": [{"nodes": list(range(len(nodes))), **({"extras": dict(facts)} if facts else {})}],
        "nodes": [_node(node, k) for k, node in enumerate(nodes)],
        "meshes": meshes,
    }
    if materials:
        root["materials"] = [_material(one) for one in materials]
    if images:
        root["images"] = [
            {"name": name, "mimeType": "image/png", "bufferView": binary.add(content)} for name, content in images
        ]
        root["samplers"] = [{"magFilter": LINEAR, "minFilter": SMOOTH, "wrapS": REPEAT, "wrapT": REPEAT}]
        root["textures"] = [{"sampler": 0, "source": k} for k in range(len(images))]
    root["accessors"] = binary.accessors
    root["bufferViews"] = binary.views
    root["buffers"] = [{"byteLength": binary.size}]
    words = json.dumps(root, separators=(",", ":"), allow_nan=False).encode("ascii")
    words += b" " * (-len(words) % 4)
    whole = 12 + 8 + len(words) + 8 + binary.size
    return [
        struct.pack("<III", _MAGIC, 2, whole),
        struct.pack("<II", len(words), _JSON),
        words,
        struct.pack("<II", binary.size, _BIN),
        *binary.parts,
    ]


def upright(vectors: Floats) -> Floats:
    """Vectors of a world with z up in one with y up, (n, 3)."""
    return np.stack([vectors[:, 0], vectors[:, 2], -vectors[:, 1]], 1)


class _Binary:
    """The binary chunk as it grows, and the views and accessors of it."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.size = 0
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []

    def add(self, content: bytes, target: int | None = None) -> int:
        """A view; everything begins at a multiple of four."""
        view = {"buffer": 0, "byteOffset": self.size, "byteLength": len(content)}
        if target is not None:
            view["target"] = target
        self.views.append(view)
        self.parts.append(content)
        free = -len(content) % 4
        if free:
            self.parts.append(bytes(free))
        self.size += len(content) + free
        return len(self.views) - 1

    def accessor(self, rows: NDArray[Any], component: int, target: int, bounded: bool = False) -> int:
        """Rows of numbers, as little-endian as they are given."""
        found: dict[str, Any] = {
            "bufferView": self.add(rows.tobytes(), target),
            "componentType": component,
            "count": len(rows),
            "type": "SCALAR" if rows.ndim == 1 else f"VEC{rows.shape[1]}",
        }
        if bounded:
            found["min"], found["max"] = rows.min(0).tolist(), rows.max(0).tolist()
        self.accessors.append(found)
        return len(self.accessors) - 1

    def floats(self, rows: Floats | Ints, bounded: bool = False) -> int:
        if not np.isfinite(rows).all():
            raise ValueError("a number that is not finite")
        # zeros are all of one sign, so that equal scenes give equal bytes
        return self.accessor(np.ascontiguousarray(rows, "<f4") + np.float32(0.0), FLOAT, VERTICES, bounded)


def _primitive(surface: Surface, binary: _Binary) -> dict[str, Any]:
    attributes = {"POSITION": binary.floats(upright(surface.positions) / 1000.0, bounded=True)}
    if surface.normals is not None:
        attributes["NORMAL"] = binary.floats(_unit(upright(surface.normals)))
    if surface.tangents is not None:
        tangents = np.column_stack([_unit(upright(surface.tangents[:, :3])), surface.tangents[:, 3]])
        attributes["TANGENT"] = binary.floats(tangents)
    for number, uv in enumerate(surface.uvs):
        down = np.array(uv, np.float32)
        down[:, 1] = np.float32(1.0) - down[:, 1]
        attributes[f"TEXCOORD_{number}"] = binary.floats(down)
    for name, values in surface.own.items():
        attributes[f"_{name.upper()}"] = binary.floats(values)
    # the greatest number of a type is left free, as the standard wants
    short = len(surface.positions) <= 65535
    indices = np.ascontiguousarray(surface.triangles.ravel(), "<u2" if short else "<u4")
    found: dict[str, Any] = {
        "attributes": attributes,
        "indices": binary.accessor(indices, SHORT if short else INT, INDICES),
    }
    if surface.material >= 0:
        found["material"] = surface.material
    return found


def _node(node: Node, mesh: int) -> dict[str, Any]:
    found: dict[str, Any] = {"name": node.name, "mesh": mesh}
    if any(node.place):
        x, y, z = node.place
        found["translation"] = [v / 1000.0 + 0.0 for v in (x, z, -y)]
    if node.facts:
        found["extras"] = dict(node.facts)
    return found


def _material(one: Material) -> dict[str, Any]:
    shade: dict[str, Any] = {
        "baseColorFactor": [*one.colour, 1.0],
        "metallicFactor": one.metal,
        "roughnessFactor": one.roughness,
    }
    found: dict[str, Any] = {"name": one.name, "pbrMetallicRoughness": shade}
    if one.base >= 0:
        shade["baseColorTexture"] = {"index": one.base}
    if one.packed >= 0:
        shade["metallicRoughnessTexture"] = {"index": one.packed}
        found["occlusionTexture"] = {"index": one.packed}
    if one.normal >= 0:
        found["normalTexture"] = {"index": one.normal}
    if one.both_sides:
        found["doubleSided"] = True
    if one.cutoff is not None:
        found["alphaMode"], found["alphaCutoff"] = "MASK", one.cutoff
    return found


def _unit(vectors: Floats) -> Floats:
    size = np.linalg.norm(vectors, axis=1, keepdims=True)
    if not (size > 0).all():
        raise ValueError("a vector without length")
    return np.asarray(vectors / size)
