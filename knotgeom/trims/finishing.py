"""Pieces with everything that renderers want beside their shape: places on the sheet, light's own uv, tangents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..mesh import Floats
from .kit import Level, Piece, Sheet, TrimMesh
from .options import Part, Textures
from .sheet import laid, row_name, set_sheet
from .tangents import seam_tangents, set_tangents
from .turning import arm_card, turns
from .unwrap import unwrap


def finished(
    pieces: Sequence[Piece],
    textures: Textures,
    period: float,
    height: float,
    *,
    sheet: Sheet | None = None,
    prefix: str = "",
) -> tuple[tuple[Piece, ...], Sheet]:
    """All levels of all pieces with ``uv``, ``light_uv`` and ``tangents``, and the sheet that they lie on.

    All have as many levels. Pieces may have been finished before: what they had is found anew.

    Parameters
    ----------
    period, height : float
        Length of a repeat and height of the strip, mm.
    sheet : Sheet, optional
        One that is set already, on which the names of the pieces' parts begin with ``prefix``.

    Raises
    ------
    DesignError
        See :func:`.sheet.set_sheet`.
    """
    pieces = _cards_by_arms(pieces)
    sheet = set_sheet(pieces, textures, period, height) if sheet is None else sheet
    done: list[list[Level]] = [[] for _ in pieces]
    for levels in zip(*(piece.levels for piece in pieces), strict=True):  # all pieces at one level
        meshes = [unwrap(laid(level.mesh, piece, sheet, prefix)) for piece, level in zip(pieces, levels, strict=True)]
        seams = _seams(pieces, meshes)
        for own, piece, level, mesh in zip(done, pieces, levels, meshes, strict=True):
            own.append(replace(level, mesh=set_tangents(mesh, piece.ports, seams)))
    return tuple(replace(piece, levels=tuple(own)) for piece, own in zip(pieces, done, strict=True)), sheet


def _seams(pieces: Sequence[Piece], meshes: Sequence[TrimMesh]) -> dict[str, Floats]:
    """Tangents at the seams of each profile, from its straight piece taken round."""
    return {
        piece.ports[0].profile: seam_tangents(mesh)
        for piece, mesh in zip(pieces, meshes, strict=True)
        if piece.part is Part.STRAIGHT and piece.name == row_name(piece)
    }


def _cards_by_arms(pieces: Sequence[Piece]) -> tuple[Piece, ...]:
    """Pieces whose cards are cut where arms meet."""
    cards = {
        piece.ports[0].profile: level.mesh.positions[:, 1]
        for piece in pieces
        for level in piece.levels
        if level.card and piece.part is Part.STRAIGHT
    }
    out = []
    for piece in pieces:
        edges = cards.get(piece.ports[0].profile)
        if edges is not None and turns(piece.ports):
            low, high = float(edges.min()), float(edges.max())
            levels = tuple(
                replace(one, mesh=arm_card(one.mesh, piece.ports, low, high)) if one.card else one
                for one in piece.levels
            )
            piece = replace(piece, levels=levels)
        out.append(piece)
    return tuple(out)
