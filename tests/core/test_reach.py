"""What a cutter leaves is what its shape allows: by closed forms, by SciPy's grey closing, and on swept cuts."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from knotgeom.carving.closing import STEPS, closing
from knotgeom.carving.cutters import Cutter, CutterKind, check_cutter, rise, scallop_height, stepover_for
from knotgeom.carving.field import HeightField
from knotgeom.carving.reach import Reach, largest_cutter, picture, reach
from knotgeom.errors import DesignError

CUTTERS = [
    Cutter(CutterKind.BALL, 3.0),
    Cutter(CutterKind.FLAT, 2.6),
    Cutter(CutterKind.V, 4.0, 60.0),
    Cutter(CutterKind.V, 4.0, 30.0, 0.6),
    Cutter(CutterKind.TAPERED, 4.0, 7.0, 1.0),
]


def board(z: NDArray[np.floating], pitch: float) -> HeightField:
    """A board with these heights, its lower left corner at 0, 0."""
    return HeightField(np.ascontiguousarray(z, np.float32), pitch, 0.0, len(z) * pitch)


def rough_board() -> HeightField:
    """Hills, cliffs, flat ground and an island at the rim, on more than one tile of the closing either way."""
    hills = ndimage.gaussian_filter(np.random.default_rng(3).random((90, 620)), 5)
    hills = (hills - hills.min()) / np.ptp(hills)
    z = np.where(hills > 0.55, -4 * (1 - hills), -4.0)
    z[:9, 40:60] = 0.0
    return board(z, 0.2)


def scipy_closing(field: HeightField, cutter: Cutter) -> NDArray[np.float64]:
    """The same by SciPy, in floating point over the whole disc; the tip goes no lower than the lowest place."""
    cells = int(cutter.diameter / 2 / field.pitch + 1e-6)
    side = np.arange(-cells, cells + 1) * field.pitch
    heights = rise(cutter, np.hypot(side[:, None], side))
    inside = np.isfinite(heights)
    tool = np.where(inside, -heights, 0.0)
    around = np.pad(field.z.astype(float), 2 * cells, constant_values=float(field.z.min()))
    tips = np.maximum(ndimage.grey_dilation(around, footprint=inside, structure=tool), float(field.z.min()))
    left = ndimage.grey_erosion(tips, footprint=inside, structure=tool)
    return left[2 * cells : -2 * cells, 2 * cells : -2 * cells]


@pytest.mark.parametrize("cutter", CUTTERS, ids=lambda cutter: cutter.name)
def test_the_surface_left_is_scipys_grey_closing(cutter: Cutter) -> None:
    field = rough_board()
    found = reach(field, cutter, 0.05)
    theirs = scipy_closing(field, cutter)
    step = float(np.ptp(field.z)) / STEPS  # heights are whole numbers of these; four roundings of half a step
    assert np.abs(found.surface - theirs).max() <= 2.01 * step
    assert (found.surface >= field.z).all()
    left = theirs - field.z
    uncut = left > 0.05
    assert uncut.any()
    assert found.area == pytest.approx(uncut.sum() * 0.04, rel=2e-3)
    assert found.volume == pytest.approx(left[uncut].sum() * 0.04, rel=2e-3)
    assert found.places_count == ndimage.label(found.left > 0.05, np.ones((3, 3)))[1]


@pytest.mark.parametrize("angle", [40.0, 60.0, 90.0])
@pytest.mark.parametrize("radius", [1.0, 2.5])
def test_a_ball_in_a_v_groove_stays_as_far_off_the_bottom_as_geometry_says(angle: float, radius: float) -> None:
    half = math.radians(angle / 2)
    across = (np.arange(401) - 200) * 0.05
    z = np.minimum(np.abs(across) / math.tan(half) - 8.0, 0.0)
    found = reach(board(np.tile(z, (120, 1)), 0.05), Cutter(CutterKind.BALL, 2 * radius), 0.0)
    # a circle between two walls has its middle R / sin(a) from where they meet
    assert float(found.left[60, 200]) == pytest.approx(radius / math.sin(half) - radius, abs=0.01)


def test_a_ball_beside_a_step_leaves_a_fillet_of_its_own_radius() -> None:
    pitch, radius = 0.05, 2.0
    z = np.full((200, 240), -5.0)
    z[:, :40] = 0.0
    found = reach(board(z, pitch), Cutter(CutterKind.BALL, 2 * radius), 0.0)
    away = (np.arange(40, 240) - 39) * pitch  # from the middle of the last cell of the upper level
    row = found.left[100, 40:].astype(float)

    def fillet(d: NDArray[np.floating]) -> NDArray[np.floating]:
        gone = np.clip(radius - d, 0.0, radius)
        return radius - np.sqrt(radius**2 - gone**2)

    inside = away > pitch
    assert (row[inside] <= fillet(away[inside] - pitch) + 0.001).all()  # the wall stands within one pixel
    assert (row >= fillet(away) - 0.001).all()
    section = float(row.sum()) * pitch
    assert section == pytest.approx((1 - math.pi / 4) * radius**2 + 0.5 * pitch * radius, rel=0.08)


def test_a_flat_cutter_fills_narrow_slots_and_no_wide_ones() -> None:
    z = np.zeros((200, 300))
    z[:, 40:69] = -3.0  # 2.9 mm
    z[:, 150:181] = -3.0  # 3.1 mm
    left = reach(board(z, 0.1), Cutter(CutterKind.FLAT, 3.0), 0.0).left
    assert left[100, 40:69] == pytest.approx(3.0)
    assert left[100, 150:181] == pytest.approx(0.0)


def test_a_v_cutter_leaves_nothing_of_its_own_groove_and_hangs_on_the_rims_of_a_steeper_one() -> None:
    across = np.abs(np.arange(401) - 200) * 0.05
    for groove, cutter in ((60.0, 60.0), (60.0, 90.0), (40.0, 60.0)):
        z = np.minimum(across / math.tan(math.radians(groove / 2)) - 3.0, 0.0)
        tool = Cutter(CutterKind.V, 12.0, cutter)
        left = float(reach(board(np.tile(z, (260, 1)), 0.05), tool, 0.0).left[130, 200])
        stands = 3.0 - 3.0 * math.tan(math.radians(groove / 2)) / math.tan(math.radians(cutter / 2))
        assert left == pytest.approx(stands, abs=0.06)  # rims are known to a pixel
        assert (left < 0.001) == (groove == cutter)


# R, s, h in mm: plane geometry, h = R - sqrt(R^2 - (s / 2)^2), worked out apart from the code to six places
SCALLOPS = [(3.0, 0.5, 0.010435), (3.0, 2.0, 0.171573), (1.5, 0.3, 0.007519), (0.5, 0.1, 0.002506)]


@pytest.mark.parametrize(("radius", "stepover", "height"), SCALLOPS)
def test_the_ridges_of_a_swept_cut_are_as_high_as_the_formula_says(
    radius: float, stepover: float, height: float
) -> None:
    across = np.linspace(0.0, 4 * stepover, 4001)
    passes = np.arange(-1, 6) * stepover
    ball = Cutter(CutterKind.BALL, 2 * radius)
    cut = np.min([rise(ball, np.abs(across - place)) for place in passes], axis=0)
    assert np.ptp(cut) == pytest.approx(scallop_height(radius, stepover), rel=1e-5)
    assert scallop_height(radius, stepover) == pytest.approx(height, abs=5e-7)
    assert stepover_for(radius, scallop_height(radius, stepover)) == pytest.approx(stepover)


def test_a_tapered_cutter_is_a_ball_and_a_cone_that_touch_without_a_corner() -> None:
    tool = Cutter(CutterKind.TAPERED, 6.0, 8.0, 1.5)
    r = np.linspace(0.0, 3.0, 30001)
    height = rise(tool, r)
    slope = np.diff(height) / np.diff(r)
    assert (np.diff(slope) >= -1e-6).all()
    assert slope.max() == pytest.approx(1 / math.tan(math.radians(8.0)), rel=1e-3)
    assert rise(tool, np.array([0.4]))[0] == pytest.approx(0.75 - math.sqrt(0.75**2 - 0.4**2))
    assert np.isinf(rise(tool, np.array([3.01]))[0])


def test_a_larger_ball_leaves_more_and_a_second_round_leaves_the_same() -> None:
    field = rough_board()
    surfaces = [reach(field, Cutter(CutterKind.BALL, size), 0.05).surface for size in (1.0, 2.0, 4.0)]
    step = float(np.ptp(field.z)) / STEPS
    # a larger ball is a smaller one swept over a third; on cells that is not quite so beside cliffs
    for smaller, larger in zip(surfaces, surfaces[1:], strict=False):
        assert (larger < smaller - 0.06).mean() < 0.01
        assert larger.sum() > smaller.sum()
    again = reach(HeightField(surfaces[1], field.pitch, field.left, field.top), Cutter(CutterKind.BALL, 2.0)).surface
    assert np.abs(again - surfaces[1]).max() <= 3 * step


def test_a_level_board_is_reached_by_anything() -> None:
    found = reach(board(np.full((40, 50), -2.0), 0.2), Cutter(CutterKind.BALL, 6.0))
    assert found.area == 0.0
    assert found.places == ()
    assert (found.surface == -2.0).all()


def slots() -> HeightField:
    """Six slots, from 1.05 to 6.05 mm wide, with a good deal of ground in each."""
    z = np.zeros((400, 1000))
    begin = 40
    for width in (21, 41, 61, 81, 101, 121):
        z[40:360, begin : begin + width] = -2.5
        begin += width + 40
    return board(z, 0.05)


@pytest.mark.parametrize("kind", [CutterKind.FLAT, CutterKind.BALL])
def test_the_largest_cutter_does_and_the_next_one_does_not(kind: CutterKind) -> None:
    field, sizes = slots(), (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
    share = 0.1 if kind is CutterKind.FLAT else 0.45
    best = largest_cutter(field, Cutter(kind), share, sizes)
    assert isinstance(best, Reach)
    assert best.share <= share
    following = sizes[sizes.index(best.cutter.diameter) + 1]
    assert reach(field, Cutter(kind, following)).share > share
    assert largest_cutter(field, Cutter(CutterKind.BALL), 0.0, sizes) is None


def test_uncut_places_stand_where_they_are() -> None:
    z = np.zeros((200, 300))
    z[30:60, 40:45] = -3.0  # too narrow for the cutter; the middle of its cells is x 4.25, y 15.5
    z[100:180, 100:260] = -3.0
    found = reach(board(z, 0.1), Cutter(CutterKind.FLAT, 2.0), 0.1)
    place = next(place for place in found.places if place.x < 5)
    assert place.area == pytest.approx(1.5)
    assert place.volume == pytest.approx(4.5, rel=1e-3)
    assert place.height == pytest.approx(3.0, abs=1e-3)
    assert 4.0 <= place.x <= 4.5
    assert 14.0 <= place.y <= 17.0
    shown = picture(found).astype(int)
    coloured = shown.min(axis=2) < 0.6 * shown.max(axis=2)
    assert (coloured == (found.left > 0.1)).all()


@pytest.mark.parametrize(
    ("cutter", "place", "words"),
    [
        (Cutter(CutterKind.BALL, 31.0), "cutter.diameter", "at most 30 mm"),
        (Cutter(CutterKind.BALL, 0.15), "cutter.diameter", "at most 0.075 mm"),
        (Cutter(CutterKind.BALL, -1.0), "cutter.diameter", "above 0"),
        (Cutter(CutterKind.BALL, math.nan), "cutter.diameter", "above 0"),
        (Cutter(CutterKind.V, 6.0, 180.0), "cutter.angle_deg", "below 180"),
        (Cutter(CutterKind.V, 6.0, 60.0, 6.0), "cutter.tip", "narrower"),
        (Cutter(CutterKind.TAPERED, 6.0, 5.0, 0.0), "cutter.tip", "narrower"),
        (Cutter(CutterKind.TAPERED, 6.0, 95.0, 1.0), "cutter.angle_deg", "below 90"),
    ],
)
def test_a_cutter_that_cannot_be_is_refused_in_one_line(cutter: Cutter, place: str, words: str) -> None:
    with pytest.raises(DesignError) as refused:
        reach(board(np.zeros((300, 400)), 0.1), cutter)
    assert refused.value.place == place
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


def test_every_cutter_of_these_tests_can_be() -> None:
    for cutter in CUTTERS:
        check_cutter(cutter)


def test_work_stops_where_it_is_told_to() -> None:
    class StopError(Exception):
        pass

    seen: list[float] = []

    def show(share: float, _stage: str) -> None:
        seen.append(share)
        if share > 0.3:
            raise StopError

    field = rough_board()
    with pytest.raises(StopError):
        reach(field, CUTTERS[0], progress=show)
    assert seen == sorted(seen)
    assert 0.3 < seen[-1] < 0.6
    seen.clear()
    with pytest.raises(StopError):
        largest_cutter(field, CUTTERS[0], progress=show)


def test_memory_grows_by_twelve_bytes_a_cell_at_most() -> None:
    def most(rows: int) -> int:
        z = np.random.default_rng(0).random((rows, 900)).astype(np.float32)
        side = np.arange(6) * 0.1
        tracemalloc.start()
        closing(z, rise(Cutter(CutterKind.BALL, 1.0), np.hypot(side[:, None], side)), lambda _share: None)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    assert (most(2400) - most(1200)) / (1200 * 900) <= 12.0
