"""What a milling cutter reaches of a relief: the surface it can leave, what stays uncut, and the largest that will do.

Only shape is looked at: a cutter that stands upright, with a shank no wider than its cutting part and long enough. No
toolpath is made here, and nothing is said of breakage, load or deflection.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import DesignError
from .closing import closing
from .cutters import Cutter, CutterKind, check_cutter, rise
from .field import HeightField
from .regions import greatest, regions, totals

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Progress = Callable[[float, str], None]

TOLERANCE = 0.1
"""mm that may be left before a place counts as uncut; common practice, no source."""
SHARE = 0.05
"""Share of the lowered area that may stay uncut for a cutter to do; common practice, no source."""
DIAMETERS = (0.5, 0.8, 1.0, 1.5, 2.0, 2.5, 3.0, 3.175, 4.0, 5.0, 6.0, 6.35, 8.0, 10.0, 12.0, 16.0, 20.0)
"""mm; cutters commonly sold, 3.175 and 6.35 being 1/8 and 1/4 in.; common practice, no source."""
ROUGH_CELLS = 12
"""Cells from the axis to the edge of the widest cutter at which the largest one is looked for first."""
LEAST_CELLS = 4
"""Pixels across the narrowest cutter that is offered as the largest that will do; a round end needs a few."""
PLACES = 12


@dataclass(frozen=True, slots=True)
class UncutPlace:
    """A connected place that a cutter leaves: its deepest point, plan area, volume and greatest height left; mm."""

    x: float
    y: float
    area: float
    volume: float
    height: float


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """What one cutter leaves of a relief.

    Attributes
    ----------
    cutter : Cutter
    tolerance : float
        Wood left up to this height does not count as uncut, mm.
    field : HeightField
        The relief as wanted.
    surface : (rows, columns) float32
        The surface that the cutter can leave, mm, everywhere at or above the relief.
    volume : float
        Wood left above the relief where it is over the tolerance, mm3.
    area : float
        Plan area of those places, mm2.
    lowered_area, lowered_volume : float
        What the whole relief takes: plan area over the tolerance below the board's face, and wood removed.
    places : tuple of UncutPlace
        The largest connected places by volume.
    places_count : int
        How many there are in all.
    """

    cutter: Cutter
    tolerance: float
    field: HeightField
    surface: F32
    volume: float
    area: float
    lowered_area: float
    lowered_volume: float
    places: tuple[UncutPlace, ...]
    places_count: int

    @property
    def share(self) -> float:
        """Uncut share of the lowered area."""
        return self.area / self.lowered_area if self.lowered_area else 0.0

    @property
    def left(self) -> F32:
        """Height of wood left above the relief, mm, (rows, columns) float32."""
        return self.surface - self.field.z


def _silent(_share: float, _stage: str) -> None:
    """No progress is shown."""


def _nothing(_share: float) -> None:
    """No progress is shown, for the closing of a map."""


def _between(report: Progress, begin: float, end: float) -> Progress:
    """Progress that counts from ``begin`` to ``end``."""
    return lambda share, stage: report(begin + (end - begin) * share, stage)


def reach(field: HeightField, cutter: Cutter, tolerance: float = TOLERANCE, progress: Progress | None = None) -> Reach:
    """Find what ``cutter`` can leave of ``field``.

    Raises
    ------
    DesignError
        The cutter cannot be, is wider than the board, or too fine for the map's resolution.
    """
    report = progress or _silent
    _check(field, cutter, tolerance)
    surface = closing(field.z, _tool(cutter, field.pitch), lambda share: report(0.9 * share, "trying the cutter"))
    cell = field.pitch**2
    left = surface - field.z
    uncut = left > tolerance
    lowered_area, lowered_volume = _lowered(field, tolerance)
    report(0.92, "finding what is left")
    labels, count = regions(uncut)
    places: list[UncutPlace] = []
    if count:
        heights, at = greatest(labels, count, left)
        areas, volumes = totals(labels, count) * cell, totals(labels, count, left) * cell
        for k in np.argsort(-volumes, kind="stable")[:PLACES].tolist():
            row, column = divmod(int(at[k]), left.shape[1])
            x, y = field.left + (column + 0.5) * field.pitch, field.top - (row + 0.5) * field.pitch
            places.append(UncutPlace(x, y, float(areas[k]), float(volumes[k]), float(heights[k])))
    report(1.0, "done")
    return Reach(
        cutter,
        tolerance,
        field,
        surface,
        float(left[uncut].sum(dtype=np.float64)) * cell,
        int(uncut.sum()) * cell,
        lowered_area,
        lowered_volume,
        tuple(places),
        count,
    )


def largest_cutter(
    field: HeightField,
    like: Cutter,
    share: float = SHARE,
    sizes: Sequence[float] = DIAMETERS,
    tolerance: float = TOLERANCE,
    progress: Progress | None = None,
) -> Reach | None:
    """The largest cutter of a kind that leaves no more than ``share`` of the lowered area uncut.

    It is looked for on a coarser map, then proved on the whole one, with smaller ones in turn until one does.

    Parameters
    ----------
    like : Cutter
        Its kind, angle and shank; of a ``tapered`` one the ball at the end is what changes, of others the diameter.
    sizes : sequence of float
        The sizes to choose from, mm.

    Returns
    -------
    Reach or None
        None where not even the smallest will do.
    """
    if not 0 <= share < 1:
        raise DesignError(f"a share of {share:.4g} left uncut", "give a share from 0 to below 1", "share")
    report = progress or _silent
    board = min(field.z.shape) * field.pitch
    sized = (_sized(like, size) for size in sorted(sizes) if LEAST_CELLS * field.pitch <= size <= board)
    cutters = [cutter for cutter in sized if cutter is not None]
    if not cutters:
        raise DesignError(
            f"no size of cutter is narrower than the board and {LEAST_CELLS} pixels wide",
            f"give one from {LEAST_CELLS * field.pitch:.4g} to {board:.4g} mm",
            "sizes",
        )
    stride = max(1, math.floor(cutters[-1].diameter / 2 / field.pitch / ROUGH_CELLS))
    low, high = -1, len(cutters)  # the last that will do, the first that will not
    part = 0.0
    while high - low > 1:
        middle = (low + high) // 2
        # each size on a map as coarse as it can bear, so that small ones are not judged by a handful of cells
        own = max(1, min(stride, math.floor(_tip(cutters[middle]) / field.pitch / 3)))
        rough = _thinned(field, own)
        report(part, "trying cutters")  # each takes little, so this is often enough to be stopped by
        left = closing(rough.z, _tool(cutters[middle], rough.pitch), _nothing)
        lowered = _lowered(rough, tolerance)[0]
        uncut = int((left - rough.z > tolerance).sum()) * rough.pitch**2
        low, high = (middle, high) if uncut <= share * lowered else (low, middle)
        part = min(part + 0.1, 0.5)
    for k in range(min(low + 1, len(cutters) - 1), -1, -1):  # the coarse map may have refused one that will do
        begun, part = part, part + 0.7 * (0.99 - part)
        found = reach(field, cutters[k], tolerance, _between(report, begun, part))
        if found.share <= share:
            report(1.0, "done")
            return found
    report(1.0, "done")
    return None


def picture(found: Reach, pixels: int = 1600) -> U8:
    """The relief seen from above with what stays uncut coloured by its height, (h, w, 3) uint8.

    The relief is grey, light from the upper left; amber to dark red stands for a little to the most that is left.

    Parameters
    ----------
    pixels : int
        Longest side at most; cells are joined to fewer pixels so that the thinnest uncut place still shows.
    """
    field = found.field
    join = max(1, math.ceil(max(field.z.shape) / pixels))
    shade = _shaded(field)
    shade = _joined(shade, join, np.mean)
    left = _joined(found.left, join, np.max)
    most = max(float(left.max(initial=0.0)), 1e-9)
    paper = np.array([0.90, 0.86, 0.79]) * shade[..., None]
    share = np.clip(left / most, 0, 1)[..., None]
    ink = _ramp(share) * (0.55 + 0.45 * shade[..., None])
    over = (left > found.tolerance)[..., None]
    shown: U8 = np.rint(255 * np.clip(np.where(over, ink, paper), 0, 1)).astype(np.uint8)
    return shown


def scale_colours(steps: int) -> U8:
    """Colours of :func:`picture` from nothing to the most left, (steps, 3) uint8, for a legend."""
    colours: U8 = np.rint(255 * _ramp(np.linspace(0, 1, steps)[:, None])).astype(np.uint8)
    return colours


_RAMP = np.array([[1.0, 0.80, 0.30], [0.95, 0.45, 0.12], [0.72, 0.08, 0.10], [0.36, 0.0, 0.16]])


def _ramp(share: NDArray[np.floating]) -> NDArray[np.floating]:
    """Colour for a share from 0 to 1; the last axis of ``share`` is of length 1 and becomes red, green, blue."""
    place = np.linspace(0, 1, len(_RAMP))
    return np.concatenate([np.interp(share, place, _RAMP[:, channel]) for channel in range(3)], axis=-1)


def _shaded(field: HeightField) -> F32:
    """How light each place is, 0 to about 1, by a raking light from the upper left."""
    down, across = np.gradient(field.z, np.float32(field.pitch)) if min(field.z.shape) > 1 else (field.z * 0,) * 2
    bright = (0.5 * across + 0.5 * down + 1.15) / np.sqrt(1 + across * across + down * down)
    return np.clip(0.25 + 0.62 * bright, 0.12, 1.0).astype(np.float32)


def _joined(values: F32, join: int, how: Callable[..., NDArray[np.floating]]) -> F32:
    if join == 1:
        return values
    rows, columns = (-(-side // join) * join for side in values.shape)
    whole = np.pad(values, ((0, rows - values.shape[0]), (0, columns - values.shape[1])), mode="edge")
    return how(whole.reshape(rows // join, join, columns // join, join), axis=(1, 3)).astype(np.float32)


def _check(field: HeightField, cutter: Cutter, tolerance: float) -> None:
    check_cutter(cutter)
    width, height = field.z.shape[1] * field.pitch, field.z.shape[0] * field.pitch
    if cutter.diameter > min(width, height):
        raise DesignError(
            f"a cutter {cutter.diameter:.4g} mm wide on a board of {width:.4g} x {height:.4g} mm",
            f"give one of at most {min(width, height):.4g} mm",
            "cutter.diameter",
        )
    if cutter.diameter < 2 * field.pitch:
        raise DesignError(
            f"a cutter {cutter.diameter:.4g} mm wide on a map of {field.pitch:.4g} mm per pixel",
            f"give a resolution of at most {cutter.diameter / 2:.4g} mm",
            "cutter.diameter",
        )
    if not 0 <= tolerance < math.inf:
        raise DesignError(f"a tolerance of {tolerance:.4g} mm", "give 0 mm or more", "tolerance")


def _tool(cutter: Cutter, pitch: float) -> NDArray[np.float64]:
    cells = int(cutter.diameter / 2 / pitch + 1e-6)
    side = np.arange(cells + 1) * pitch
    return rise(cutter, np.hypot(side[:, None], side[None, :])).astype(np.float64)


def _lowered(field: HeightField, tolerance: float) -> tuple[float, float]:
    cell = field.pitch**2
    area = int((field.z < -tolerance).sum()) * cell
    return area, float(np.minimum(field.z, 0).sum(dtype=np.float64)) * -cell


def _thinned(field: HeightField, stride: int) -> HeightField:
    if stride == 1:
        return field
    z = np.ascontiguousarray(field.z[stride // 2 :: stride, stride // 2 :: stride])
    return HeightField(z, field.pitch * stride, field.left, field.top)


def _sized(like: Cutter, size: float) -> Cutter | None:
    if like.kind is CutterKind.TAPERED:
        return dataclasses.replace(like, tip=size) if size < like.diameter else None
    if like.kind is CutterKind.V and like.tip >= size:
        return None
    return dataclasses.replace(like, diameter=size)


def _tip(cutter: Cutter) -> float:
    return cutter.tip / 2 if cutter.kind is CutterKind.TAPERED else cutter.diameter / 2
