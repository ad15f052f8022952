"""A kit of two round bars side by side, waved, in place of strands: what is known of it is known in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from knotgeom.design import Design, Make, Strip
from knotgeom.trims.finishing import finished
from knotgeom.trims.kit import Kit, Level, Piece, Port, Sheet, TrimMesh
from knotgeom.trims.options import Part, Textures, Trimming

PERIOD, HEIGHT, WAVE, BEND = 80.0, 44.0, 3.0, 34.0
BARS = (-9.0, 9.0)  # middles of the bars
RADIUS = 7.0


def bars(stations: np.ndarray, ports: int) -> TrimMesh:
    """Bars through stations (x, y, heading in degrees, height above the plane, slope), square to the run at each."""
    x, y, heading, up, slope = np.asarray(stations, float).T
    way = np.radians(heading)
    ahead = np.stack([np.cos(way), np.sin(way), slope], 1)
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    side = np.stack([-np.sin(way), np.cos(way), 0 * way], 1)
    out = np.cross(ahead, side)  # square to both, upward
    turn = np.linspace(np.pi, 0, 9)  # of the half circle, from the right to the left
    rows, count = len(x), len(turn)
    positions, normals, along, across, strand, triangles, patch = [], [], [], [], [], [], []
    length = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    seams: list[list[np.ndarray]] = [[], []]
    for number, off in enumerate(BARS):
        flat = off + RADIUS * np.cos(turn)
        place = np.stack([x, y, up], 1)[:, None] + flat[:, None] * side[:, None]
        place[..., 2] += RADIUS * np.sin(turn)
        first = sum(len(one) for one in positions)
        positions.append(place.reshape(-1, 3))
        normals.append((np.cos(turn)[:, None] * side[:, None] + np.sin(turn)[:, None] * out[:, None]).reshape(-1, 3))
        along.append(np.repeat(length, count))
        across.append(np.tile(RADIUS * (np.pi - turn), rows))
        strand.append(np.full(rows * count, number))
        i, k = np.meshgrid(np.arange(rows - 1), np.arange(count - 1), indexing="ij")
        a = (first + i * count + k).ravel()
        triangles.append(
            np.concatenate([np.stack(t, 1) for t in ((a, a + count, a + count + 1), (a, a + count + 1, a + 1))])
        )
        patch.append(np.full(2 * len(a), number))
        seams[0].append(first + np.arange(count))
        seams[1].append(first + (rows - 1) * count + np.arange(count))
    v = rows * count * len(BARS)
    normal = np.concatenate(normals)
    return TrimMesh(
        positions=np.concatenate(positions),
        normals=normal / np.linalg.norm(normal, axis=1)[:, None],
        triangles=np.concatenate(triangles).astype(np.int32),
        strand=np.concatenate(strand).astype(np.int32),
        along=np.concatenate(along),
        across=np.concatenate(across),
        seam=tuple(np.concatenate(one).astype(np.int32) for one in seams)[:ports],
        patch=np.concatenate(patch).astype(np.int32),
        uv=np.zeros((v, 2), np.float32),
        light_uv=np.zeros((v, 2), np.float32),
        tangents=np.zeros((v, 4)),
    )


def _wave(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Height and slope: level where pieces meet."""
    return WAVE * (1 - np.cos(2 * np.pi * at / PERIOD)) / 2, WAVE * np.pi / PERIOD * np.sin(2 * np.pi * at / PERIOD)


def _straight(x0: float, x1: float, count: int) -> np.ndarray:
    x = np.linspace(x0, x1, count)
    return np.stack([x, 0 * x, 0 * x, *_wave(x)], 1)


def _corner(turn: float, count: int) -> np.ndarray:
    """An arm of one repeat, a bend, an arm."""
    before = _straight(0, PERIOD, count)
    angle = np.linspace(0, np.radians(abs(turn)), count)[1:-1]
    sign = np.sign(turn)

    def place(a: np.ndarray) -> np.ndarray:
        return np.stack(
            [PERIOD + BEND * np.sin(a), sign * BEND * (1 - np.cos(a)), sign * np.degrees(a), 0 * a, 0 * a], 1
        )

    end = np.radians(abs(turn))
    start = place(np.array([end]))[0]
    after = np.tile(start, (count, 1))
    x = before[:, 0]
    after[:, 0] += x * (0.0 if turn in (90, -90) else np.cos(end))
    after[:, 1] += x * sign * (1.0 if turn in (90, -90) else np.sin(end))
    after[:, 2] = turn
    after[:, 3:] = before[:, 3:]
    return np.concatenate([before, place(angle), after])


def _card(fine: TrimMesh) -> TrimMesh:
    """A rectangle half way up, as far across as the strip where the run goes along x."""
    low, high = fine.positions.min(0), fine.positions.max(0)
    if low[1] > -HEIGHT / 2 and high[1] < HEIGHT / 2:
        low[1], high[1] = -HEIGHT / 2, HEIGHT / 2
    plan = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    return replace(
        fine,
        positions=np.column_stack([plan, np.full(4, 4.0)]),
        normals=np.tile([0.0, 0, 1], (4, 1)),
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        strand=np.zeros(4, np.int32),
        along=plan[:, 0] - low[0],
        across=high[1] - plan[:, 1],
        seam=tuple(np.zeros(0, np.int32) for _ in fine.seam),
        patch=np.zeros(2, np.int32),
        uv=np.zeros((4, 2), np.float32),
        light_uv=np.zeros((4, 2), np.float32),
        tangents=np.zeros((4, 4)),
    )


def _piece(name: str, part: Part, make: Callable[[int], TrimMesh], ports: tuple[Port, ...], **more: float) -> Piece:
    fine = make(41)
    low, high = fine.positions.min(0), fine.positions.max(0)
    levels = tuple(Level(make(count), off, off) for count, off in ((17, 0.01), (9, 0.05), (5, 0.2)))
    levels = (*levels, Level(_card(fine), 5.0, 5.0, card=True))
    return Piece(name, part, ports, (*low[:2].tolist(), *high[:2].tolist()), fine, levels, **more)  # type: ignore[arg-type]


def bar_pieces(corners: tuple[float, ...] = (90.0, -90.0)) -> tuple[Piece, ...]:
    """Straight, a long straight stretched by 2 %, corners (left positive), both caps; without anything on the sheet."""
    both = (Port((0, 0), 180, False), Port((PERIOD, 0), 0, True))
    long = (Port((0, 0), 180, False), Port((3 * PERIOD * 1.02, 0), 0, True))

    def stretched(count: int) -> TrimMesh:
        mesh = bars(_straight(0, 3 * PERIOD, 3 * count - 2), 2)
        return replace(mesh, positions=mesh.positions * [1.02, 1, 1])

    pieces = [
        _piece("straight", Part.STRAIGHT, lambda n: bars(_straight(0, PERIOD, n), 2), both, repeats=1),
        _piece("straight-0245", Part.STRAIGHT, stretched, long, repeats=3, stretched=1.02),
    ]
    for turn in corners:
        end = _corner(turn, 3)[-1]
        ports = (Port((0, 0), 180, False), Port((float(end[0]), float(end[1])), turn % 360, True))
        part = Part.INNER if turn > 0 else Part.OUTER
        name = f"corner-{part.value}-{abs(turn):03g}"
        pieces.append(_piece(name, part, lambda n, t=turn: bars(_corner(t, n), 2), ports, turn=abs(turn)))  # type: ignore[misc]
    begin, end_port = (Port((0, 0), 0, True),), (Port((0, 0), 180, False),)

    def cap_behind(count: int) -> TrimMesh:
        mesh = bars(_straight(-30, 0, count), 2)
        return replace(mesh, seam=mesh.seam[1:])

    pieces.append(_piece("cap-behind", Part.CAP, cap_behind, begin))
    pieces.append(_piece("cap-ahead", Part.CAP, lambda n: bars(_straight(0, 30, n), 1), end_port))
    return tuple(pieces)


def bar_kit(textures: Textures | None = None, corners: tuple[float, ...] = (90.0, -90.0)) -> Kit:
    """The pieces finished."""
    textures = textures or Textures(size=1024)
    pieces, sheet = finished(bar_pieces(corners), textures, PERIOD, HEIGHT)
    design = Design(Strip(4, 2, 20.0, 20.0), make=Make(trim=Trimming(textures=textures)))
    assert isinstance(sheet, Sheet)
    return Kit(design, pieces, sheet, PERIOD, HEIGHT, 0.0, RADIUS + WAVE, ("bars",), ())
