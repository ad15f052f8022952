"""A kit as the scene that is written: a node for each piece and level, named so that they sort, and their material."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from ..files import glb, obj
from ..mesh import Floats, Ints
from .hull import Hull
from .kit import Kit, Level, Piece

STONE = (0.46, 0.40, 0.32)
"""Colour of a kit without one of its own, linear."""
APART = 0.25
"""Room between pieces in the file, as a share of the strip's height."""


def encode_glb(
    kit: Kit, images: Mapping[str, bytes] | None = None, hulls: Mapping[str, Sequence[Hull]] | None = None
) -> list[bytes]:
    """The content of ``kit.glb``.

    Pieces stand beside one another, levels behind one another along x; each has its origin at its first port, so that
    a piece taken out alone and moved by its length meets itself.

    Parameters
    ----------
    images : mapping, optional
        PNG files: "normal-lod0", "normal-lod1", ... and, for cards, "normal", with green up the sheet; "packed" with
        occlusion, roughness and metal; "cover", white with the strands' cover as alpha. What is left out is not in the
        materials.
    hulls : mapping, optional
        Collision hulls by the names of their pieces.
    """
    names = sorted(set(images or {}) & _wanted(kit))
    materials: list[glb.Material] = []
    known: dict[tuple[str, bool], int] = {}

    def material_of(level: Level, number: int) -> int:
        normal = "normal" if level.card else f"normal-lod{number}"
        key = (normal if normal in names else "", level.card)
        if key not in known:
            known[key] = len(materials)
            materials.append(_material(key[0], level.card, number, names))
        return known[key]

    nodes = [
        glb.Node(name, _surface(level, material_of(level, facts["level"])), place, facts)
        for name, level, place, facts in _spread(kit)
    ]
    places = {node.facts["piece"]: node.place for node in nodes if node.facts["level"] == 0}
    for piece in kit.pieces:
        if hulls and piece.name in hulls:
            parts = hulls[piece.name]
            for number, (points, triangles) in enumerate(parts):
                hull = glb.Surface(points, triangles, _flat_normals(points, triangles))
                name = f"{piece.name}_hull{number if len(parts) > 1 else ''}"
                nodes.append(glb.Node(name, hull, places[piece.name], {"piece": piece.name, "hull": True}))
    facts = {"period_m": kit.period / 1000, "height_m": kit.height / 1000, "texels_per_m": kit.sheet.per_mm * 1000}
    return glb.encode(nodes, materials, [(name, (images or {})[name]) for name in names], facts=facts)


def _wanted(kit: Kit) -> set[str]:
    """The images that the materials of a kit can use."""
    used = {"packed"}
    for piece in kit.pieces:
        for number, level in enumerate(piece.levels):
            used |= {"normal", "cover"} if level.card else {f"normal-lod{number}"}
    return used


def _material(normal: str, card: bool, number: int, names: list[str]) -> glb.Material:
    """The material of a level: each has a map of normals of its own, since it turns the exact surface's to its own."""
    cover = card and "cover" in names
    return glb.Material(
        "trim_card" if card else f"trim_LOD{number}" if normal else "trim",
        STONE,
        roughness=1.0 if "packed" in names else 0.75,
        metal=1.0 if "packed" in names else 0.0,
        base=names.index("cover") if cover else -1,
        normal=names.index(normal) if normal else -1,
        packed=names.index("packed") if "packed" in names else -1,
        both_sides=card,
        cutoff=0.5 if cover else None,
    )


def encode_obj(kit: Kit) -> Iterator[bytes]:
    """The content of ``kit.obj``: the same pieces and levels in the same places, metres and y up as in the GLB."""
    objects = (
        (
            name,
            glb.upright(level.mesh.positions + np.asarray(place)) / 1000,
            glb.upright(level.mesh.normals),
            level.mesh.uv,
            level.mesh.triangles,
        )
        for name, level, place, _ in _spread(kit)
    )
    return obj.encode_objects(objects, "lengths in metres, y up; uv are those of the trim sheet")


def level_name(piece: Piece, number: int) -> str:
    """What a level of a piece is called in files."""
    return f"{piece.name}_LOD{number}"


def facts_of(piece: Piece, number: int) -> dict[str, Any]:
    """What a program may want to know of a level of a piece; lengths m, y up."""
    level = piece.levels[number]
    return {
        "piece": piece.name,
        "part": piece.part.value,
        "level": number,
        "card": level.card,
        "triangles": len(level.mesh.triangles),
        "tolerance_mm": round(level.tolerance, 6),
        "deviation_mm": round(level.deviation, 6),
        "turn_degrees": piece.turn,
        "repeats": piece.repeats,
        "stretched": round(piece.stretched, 9),
        "ports": [
            {
                "at": [port.at[0] / 1000, 0.0, -port.at[1] / 1000 + 0.0],
                "heading_degrees": port.heading % 360.0,
                "ahead": port.ahead,
                "profile": port.profile,
            }
            for port in piece.ports
        ],
    }


def _spread(kit: Kit) -> Iterator[tuple[str, Level, tuple[float, float, float], dict[str, Any]]]:
    """Every level of every piece: its name, itself, where it stands in the file, and facts."""
    free = APART * kit.height
    widest = max(piece.box[2] - piece.box[0] for piece in kit.pieces)
    y = 0.0
    for piece in kit.pieces:
        x0, y0, _, y1 = piece.box
        for number, level in enumerate(piece.levels):
            place = (round(number * (widest + free) - x0, 3), round(y - y1, 3), 0.0)
            yield level_name(piece, number), level, place, facts_of(piece, number)
        y -= y1 - y0 + free


def _surface(level: Level, material: int) -> glb.Surface:
    mesh = level.mesh
    return glb.Surface(
        mesh.positions,
        mesh.triangles,
        mesh.normals,
        mesh.tangents,
        (mesh.uv, mesh.light_uv),
        {"strand": mesh.strand, "along": mesh.along / 1000, "across": mesh.across / 1000},
        material,
    )


def _flat_normals(points: Floats, triangles: Ints) -> Floats:
    """Normals of a closed body's vertices, by the areas round them."""
    a, b, c = (points[k] for k in triangles.T)
    face = np.cross(b - a, c - a)
    out = np.zeros_like(points, dtype=float)
    for corner in triangles.T:
        np.add.at(out, corner, face)
    size = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(np.where(size > 0, out / np.maximum(size, 1e-30), [0.0, 0.0, 1.0]))
