"""Maps of a kit's exact surface on its trim sheet: height, normals, occlusion, curvature, strands, and what is packed.

All are looked at straight from above (:mod:`.textures`), so every map is of the plane that the sheet lies in. Normals
are given in that plane, for a flat card or the ground itself, or relative to a level's own normals and tangents, so
that the level with its map looks like the exact surface.

Kits have no ground of their own: between strands the maps go on with what the nearest strand has, as far as the
sheet's padding, so that no level shows a rim of ground at its outline. ``ground`` lays a level ground under them
instead, for a relief on a card that is not cut out.
"""

from __future__ import annotations

import colorsys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats
from ..progress import Progress
from .kit import Kit
from .layers import curvature_radius, layers, reach_of
from .options import Green, Textures, Trimming
from .padding import filled, nearest
from .relative import level_normals
from .textures import F32, strand_numbers

WORN, DULL = 0.25, 0.2
"""How much smoother sharp ridges are than the rest, and how much rougher dark hollows; common practice, no source."""
ROUGHNESS, METAL = 0.7, 0.0
"""Of stone or wood; common practice, no source."""
GOLDEN = 0.6180339887498949
"""Hues one after another turn by this share of the circle, so that any number of them are well apart."""


@dataclass(frozen=True, slots=True)
class Finish:
    """What the packed picture says of the material, 0 to 1: see ``WORN`` and ``DULL``."""

    roughness: float = ROUGHNESS
    metal: float = METAL
    worn: float = WORN
    dull: float = DULL


def bake(
    kit: Kit,
    options: Trimming | None = None,
    progress: Progress | None = None,
    *,
    levels: Sequence[int] = (),
    ground: bool = False,
    finish: Finish = Finish(),  # noqa: B008 - frozen
) -> dict[str, NDArray[Any]]:
    """All maps of a kit.

    Parameters
    ----------
    options : Trimming, optional
        Bits and green are taken from its textures; by default the design's.
    progress : callable, optional
        Called with a share of the work done and the name of the stage; it may raise to cancel.
    levels : sequence of int
        Levels that get a map of normals of their own.
    ground : bool
        Whether there is a level ground between the strands.

    Returns
    -------
    dict
        Name to pixels, row 0 at the top, of the bits asked for unless stated:

        * ``height`` (rows, columns) uint16: ``kit.low`` at 0, ``kit.high`` at 65535
        * ``normal``, in the plane of the sheet, and ``normal-lod0`` ... for the levels asked for
        * ``occlusion``, ``curvature``: grey; see :func:`facts`
        * ``strand`` uint8: a flat colour for each strand, black where there is none
        * ``packed``: occlusion, roughness, metal
        * ``cover``: share covered by strands, to cut out cards
    """
    textures = _textures(kit, options)

    def show(share: float, stage: str) -> None:
        if progress is not None:
            progress(share, stage)

    late = 0.75 if levels else 0.95
    found = layers(kit, lambda share, stage: show(share * late, stage))
    bare, source = nearest(found.part if ground else found.cover >= 0.5, kit.sheet.padding, wraps=True)
    maps: dict[str, NDArray[Any]] = {}
    high = max(kit.high - kit.low, 1e-9)
    height = found.height.copy()
    if ground:
        height.ravel()[bare] = height.ravel()[source]
    else:
        outside, inside = nearest(found.part, kit.sheet.padding, wraps=True)
        height.ravel()[outside] = height.ravel()[inside]
    maps["height"] = whole((height - kit.low) / high, 16)
    known = found.part if ground else found.cover > 0
    flat = np.array([0.0, 0.0, 1.0], np.float32)
    maps["normal"] = normal_pixels(filled(np.where(known[..., None], found.normals, flat), bare, source), textures)
    light = filled(np.where(known, found.occlusion, np.float32(1.0)), bare, source)
    bend = filled(found.curvature, bare, source) * np.float32(curvature_radius(kit))
    maps["occlusion"] = whole(light, textures.bits)
    maps["curvature"] = whole(bend / 2 + 0.5, textures.bits)
    maps["strand"] = colours(int(found.strand.max()) + 1)[filled(found.strand, bare, source) + 1]
    rough = finish.roughness + finish.dull * (1 - light) - finish.worn * np.clip(bend, 0.0, 1.0)
    maps["packed"] = whole(np.stack([light, rough, np.full_like(light, finish.metal)], axis=-1), textures.bits)
    maps["cover"] = whole(found.cover, textures.bits)
    for k, level in enumerate(levels):
        show(late + (1 - late) * k / len(levels), f"normals of level {level}")
        maps[f"normal-lod{level}"] = normal_pixels(level_normals(kit, level, found), textures)
    show(1.0, "maps")
    return maps


def facts(kit: Kit) -> dict[str, Any]:
    """What the numbers of the maps mean, for the report."""
    numbers = strand_numbers(kit)
    count = max((int(number.max(initial=-1)) for number in numbers.values()), default=-1) + 1
    return {
        "height_mm": [round(kit.low, 6), round(kit.high, 6)],
        "curvature_radius_mm": round(curvature_radius(kit), 6),
        "curvature": "sum of both principal curvatures, middle grey flat, white convex with 1 / curvature_radius_mm",
        "occlusion": "cosine-weighted, by horizons on the height map, the ground level all round",
        "occlusion_reach_mm": round(reach_of(kit), 6),
        "strands": ["#{:02x}{:02x}{:02x}".format(*colour) for colour in colours(count)[1:].tolist()],
    }


def colours(count: int) -> NDArray[np.uint8]:
    """A flat colour for no strand, which is black, and for each strand, (count + 1, 3), sRGB."""
    rows = [(0.0, 0.0, 0.0)]
    for k in range(count):
        rows.append(colorsys.hsv_to_rgb((k * GOLDEN) % 1.0, (0.8, 0.45)[k % 2], (0.95, 0.95, 0.65)[k % 3]))
    return np.round(np.array(rows) * 255).astype(np.uint8)


def whole(values: Floats | F32, bits: int) -> NDArray[Any]:
    """Shares from 0 to 1 as whole numbers of so many bits."""
    return _rounded(values * np.float32((1 << bits) - 1), bits)


def normal_pixels(normals: F32, textures: Textures) -> NDArray[Any]:
    """Normals as colours: each part from -1 to 1 as 0 to the most."""
    half = ((1 << textures.bits) - 1) / 2
    way = np.array([half, -half if textures.green is Green.DIRECTX else half, half], np.float32)
    pixels = normals * way
    pixels += np.float32(half)
    return _rounded(pixels, textures.bits)


def _rounded(values: Floats | F32, bits: int) -> NDArray[Any]:
    """The nearest whole numbers of so many bits; ``values`` are overwritten."""
    values += np.float32(0.5)
    np.clip(values, 0, (1 << bits) - 1, out=values)
    return values.astype(np.uint16 if bits == 16 else np.uint8)


def _textures(kit: Kit, options: Trimming | None) -> Textures:
    options = options or kit.design.make.trim or Trimming()
    return options.textures
