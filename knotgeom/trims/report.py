"""What is to be known of a kit, ready for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .kit import Kit, Piece
from .sheet import uneven

CAUTIONS = (
    "A kit is shapes and pictures for renderers: nothing of it is judged for strength, and nothing of it is a part for "
    "use. A piece that is to be printed, cast or carved is made and checked by the verbs for that.",
)


def report(kit: Kit, files: Sequence[str] = ()) -> dict[str, Any]:
    """Pieces, levels, ports, sheet, notes and findings; lengths are mm unless a key says otherwise."""
    sheet = kit.sheet
    return {
        "period_mm": _r(kit.period),
        "height_mm": _r(kit.height),
        "lowest_mm": _r(kit.low),
        "highest_mm": _r(kit.high),
        "pieces": [_piece(piece) for piece in kit.pieces],
        "sheet": {
            "texels": [sheet.width, sheet.height],
            "texels_per_m": _r(1000 * sheet.per_mm),
            "padding": sheet.padding,
            "uneven_percent": _r(100 * uneven(sheet)),
            "parts": [
                {
                    "piece": block.piece,
                    "port": block.port,
                    "turned_degrees": _r(block.turn),
                    "box_mm": [_r(v) for v in block.box],
                    "texels": list(block.texels),
                    "wraps": block.wraps,
                }
                for block in sheet.blocks
            ],
        },
        "notes": list(kit.notes),
        "findings": list(kit.findings),
        "cautions": list(CAUTIONS),
        "files": list(files),
    }


def lines(kit: Kit) -> list[str]:
    """The same in a few words: a line for each piece with the triangles and the deviation of its levels."""
    wide = max(len(piece.name) for piece in kit.pieces)
    out = []
    for piece in kit.pieces:
        levels = ", ".join(
            "card" if level.card else f"{len(level.mesh.triangles):,} ({level.deviation:.2g} mm off)"
            for level in piece.levels
        )
        out.append(f"{piece.name:<{wide}}  {levels}")
    return out


def _piece(piece: Piece) -> dict[str, Any]:
    x0, y0, x1, y1 = piece.box
    return {
        "name": piece.name,
        "part": piece.part.value,
        "size_mm": [_r(x1 - x0), _r(y1 - y0)],
        "turn_degrees": _r(piece.turn),
        "repeats": piece.repeats,
        "stretched_percent": _r(100 * (piece.stretched - 1)),
        "ports": [
            {
                "at_mm": [_r(v) for v in port.at],
                "heading_degrees": _r(port.heading % 360.0),
                "ahead": port.ahead,
                "profile": port.profile,
            }
            for port in piece.ports
        ],
        "levels": [
            {
                "triangles": len(level.mesh.triangles),
                "vertices": len(level.mesh.positions),
                "tolerance_mm": _r(level.tolerance),
                "deviation_mm": _r(level.deviation),
                "card": level.card,
            }
            for level in piece.levels
        ],
    }


def _r(value: float) -> float:
    return round(float(value), 5) + 0.0
