"""Flat strips are cut where they come round: caps of any outline, strips with nothing there, meshes that are open."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from knotgeom.caps import triangulated
from knotgeom.design import Breaks, Design, Heights, Making, Site, Strand, Strip
from knotgeom.errors import DesignError
from knotgeom.loop import BEGIN, SIDES, looped, rounded, split_at_edges
from knotgeom.made import make, solid
from knotgeom.mesh import Mesh, volume
from knotgeom.printing.bodies import mesh_of
from knotgeom.seam import cuts, laid_flat
from tests.core.measures import unsound


def along_sides(wide: int, high: int, unit: tuple[float, float]) -> np.ndarray:
    """A rectangle with a point at every step along its sides, anticlockwise."""
    points = [(x, 0) for x in range(wide)] + [(wide, y) for y in range(high)]
    points += [(wide - x, high) for x in range(wide)] + [(0, high - y) for y in range(high)]
    return np.array(points, float) * unit


def star(seed: int) -> np.ndarray:
    """A polygon whose corners are all seen from its middle, anticlockwise."""
    rng = np.random.default_rng(seed)
    turn = (np.arange(9) + rng.uniform(0.1, 0.9, 9)) * 2 * np.pi / 9
    return rng.uniform(0.3, 1.0, (9, 1)) * np.stack([np.cos(turn), np.sin(turn)], 1)


OUTLINES = {
    "a square": along_sides(1, 1, (1.0, 1.0)),
    "a square with points on its sides": along_sides(3, 3, (1.0, 1.0)),
    "a band a millionth as high as wide": along_sides(3, 3, (1.0, 1e-6)),
    "upright walls that lean by rounding": along_sides(1, 4, (1.0, 1.0)) + [[1e-9 * (k % 2), 0.0] for k in range(10)],
    **{f"star {seed}": star(seed) for seed in range(12)},
}


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("name", OUTLINES)
def test_an_outline_is_covered_once_by_triangles_that_turn_as_it_does(name: str, backwards: bool) -> None:
    outline = OUTLINES[name][::-1] if backwards else OUTLINES[name]
    triangles = triangulated(outline)
    assert len(triangles) == len(outline) - 2  # as any simple polygon (G. Meisters, 1975)
    a, b, c = (outline[list(corner)] for corner in zip(*triangles, strict=True))
    area = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    x, y = outline.T
    whole = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2  # the shoelace formula
    assert (area * whole > 0).all() and area.sum() == pytest.approx(whole, rel=1e-9)
    edges = Counter((corner[k], corner[(k + 1) % 3]) for corner in triangles for k in range(3))
    sides = {(k, (k + 1) % len(outline)) for k in range(len(outline))}
    assert {edge for edge in edges if edge[::-1] not in edges} == sides and set(edges.values()) == {1}


@pytest.mark.parametrize(
    "outline",
    [
        [(0.0, 0.0), (1.0, 0.0), (3.0, 0.0), (2.0, 0.0)],
        [(1 / 3, 1 / 3), (0.0, 1 / 3), (0.0, 2 / 3), (2 / 3, 0.0)],
    ],
    ids=["all in a line", "a corner on another side"],
)
def test_an_outline_that_bounds_no_plain_area_still_has_a_cap_of_all_corners(
    outline: list[tuple[float, float]],
) -> None:
    triangles = triangulated(np.array(outline))
    assert len(triangles) == len(outline) - 2
    assert {v for corner in triangles for v in corner} == set(range(len(outline)))


def test_a_strip_with_nothing_at_its_seam_is_not_cut() -> None:
    strip = Strip(3, 1, 10.0, 10.0)
    design = Design(strip, Breaks((), (Site(0, 1),)), strand=Strand(3.0, 0.6), heights=Heights(Making.FUSED, step=0.4))
    mesh = solid(make(design))
    assert unsound(mesh) == [] and 0.0 < mesh.vertices[:, 0].min() < mesh.vertices[:, 0].max() < 30.0


def bar(period: float) -> Mesh:
    """A square bar that runs round after ``period``, six steps long."""
    steps, corner = 6, np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    x = (np.arange(steps) + 0.5) * period / steps
    points = np.concatenate([np.column_stack([np.full(4, at), corner]) for at in x])
    k, side = np.divmod(np.arange(4 * steps), 4)
    ahead, up = (k + 1) % steps, (side + 1) % 4
    a, b, c, d = 4 * k + side, 4 * ahead + side, 4 * ahead + up, 4 * k + up
    faces = np.concatenate([np.stack([a, c, b], 1), np.stack([a, d, c], 1)])
    return mesh_of(points, faces)


def test_a_bar_is_cut_to_its_whole_length_and_closed_at_both_ends() -> None:
    cut = laid_flat(bar(30.0), 30.0, 2.0)
    assert unsound(cut) == [] and abs(volume(cut)) == pytest.approx(30.0 * 4.0, rel=1e-9)
    assert cut.vertices[:, 0].min() == 0.0 and cut.vertices[:, 0].max() == 30.0


def test_every_place_that_is_tried_cuts_the_same_bar_in_single_precision() -> None:
    period = 30.0
    whole = bar(period)
    rounded_bar = mesh_of(rounded(whole.vertices, period), whole.triangles)
    tried = list(cuts(rounded_bar, period, 2.0))
    assert len(tried) >= 1
    for cut in tried:
        assert unsound(cut) == [] and abs(volume(cut)) == pytest.approx(period * 4.0, rel=1e-6)
        inner = cut.vertices[cut.vertices[:, 0] < period]
        assert np.array_equal(inner, inner.astype(np.float32))


def test_a_bar_with_a_hole_at_the_seam_is_refused() -> None:
    whole = bar(30.0)
    span = np.ptp(whole.vertices[whole.triangles, 0], axis=1)
    torn = mesh_of(whole.vertices, np.delete(whole.triangles, np.flatnonzero(span > 15.0)[0], 0))
    with pytest.raises(DesignError, match="do not close where the strip comes round"):
        laid_flat(torn, 30.0, 2.0)


def test_only_triangles_over_an_edge_of_the_pyramid_are_split() -> None:
    period, reach = 40.0, 10.0
    for edge in range(SIDES):
        at = (BEGIN + (edge + 0.5) / SIDES) * period
        flat = np.array([[at - 1.0, 0.0, 0.0], [at + 1.0, 0.0, 0.0], [at + 1.0, 3.0, 0.0]])
        for shift, parts in ((0.0, 3), (2.0, 1), (-2.0, 1)):
            points = looped(flat + [shift, 0.0, 0.0], period, reach)
            vertices, faces, source = split_at_edges(points, np.array([[0, 1, 2]]), period, reach)
            assert len(faces) == parts and (source == 0).all() and np.array_equal(vertices[:3], points)
