"""Reliefs at their limits: knots without a crossing, one sample, upright walls, one processor, no room, no library."""

from __future__ import annotations

import ctypes
import math
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from knotgeom.carving import filling, memory
from knotgeom.carving import panel as panel_planning
from knotgeom.carving import relief as reliefs
from knotgeom.carving.bends import bends
from knotgeom.carving.cutters import Cutter, CutterKind, scallop_height, stepover_for, tip_radius
from knotgeom.carving.depths import Line, crossing_depths, section_along
from knotgeom.carving.facets import triangulate
from knotgeom.carving.field import HeightField, panel_field
from knotgeom.carving.grain import walls_across_grain
from knotgeom.carving.options import Carving, Ground, Moulding
from knotgeom.carving.panel import Panel, plan_panel
from knotgeom.carving.pockets import narrow_places, panel_ground_level, pockets
from knotgeom.carving.reach import largest_cutter, picture, reach
from knotgeom.carving.section_drawing import sections_svg
from knotgeom.carving.tool_report import reach_report, uncut_pixels
from knotgeom.carving.tools import Tools
from knotgeom.design import Breaks, Design, Divide, Grid, Making, Pass, Rejoin, Site, Strand, Way
from knotgeom.errors import DesignError
from knotgeom.mesh import volume

PLAIN = Design(Grid(3, 2, 24.0, 24.0), strand=Strand(width=10.0))
RINGLET = Design(Grid(1, 1, 24.0, 24.0), strand=Strand(width=8.0))
FORKED = Design(
    Grid(4, 3, 24.0, 24.0),
    breaks=Breaks(vertical=(Site(4, 3),)),
    divide=Divide(passes=(Pass(3, 2, Way.RISING), Pass(3, 4, Way.RISING)), rejoin=Rejoin.BENDS, gap=3.0),
    strand=Strand(width=10.0),
)


def board(z: NDArray[np.floating], pitch: float) -> HeightField:
    """A board with these heights, its lower left corner at 0, 0."""
    return HeightField(np.ascontiguousarray(z, np.float32), pitch, 0.0, len(z) * pitch)


@pytest.fixture(scope="module")
def ringlet() -> tuple[Panel, HeightField]:
    panel = plan_panel(RINGLET, Carving(depth=4.0))
    return panel, panel_field(panel, 0.25)


# ------------------------------------------------------------------------------------------- knots of one strand


def test_a_single_ring_lies_level_and_has_no_depth_table(ringlet: tuple[Panel, HeightField]) -> None:
    panel, field = ringlet
    assert np.ptp(panel.z) == pytest.approx(0.0, abs=1e-9)
    assert crossing_depths(panel.made, field) == ()
    found = section_along(panel.made, field, Line(-20.0, 12.0, 44.0, 12.0))
    assert [strand.hidden for strand in found.strands] == [False, False]
    assert [strand.depth for strand in found.strands] == pytest.approx([found.strands[0].depth] * 2, abs=0.01)


def test_a_ring_that_turns_one_way_all_round_is_one_bend_inside_and_one_outside(ringlet) -> None:
    panel, _ = ringlet
    found = bends(panel.made)
    assert len(found) == 2 and [bend.hollow for bend in found].count(True) == 1
    inner, outer = sorted(bend.radius for bend in found)
    assert outer - inner == pytest.approx(8.0, rel=0.15)  # they are the strand's width apart


def test_one_narrow_place_is_the_narrowest_of_several() -> None:
    panel = plan_panel(PLAIN, Carving(depth=6.0))
    field = panel_field(panel, 0.25)
    every = narrow_places(panel.made, field)
    assert len(every) > 1
    assert narrow_places(panel.made, field, most=1) == every[:1]
    assert every[0].width == min(place.width for place in every)


# ------------------------------------------------------------------------------------------- ground left standing


def test_ground_left_standing_has_no_floor_for_gouges() -> None:
    panel = plan_panel(PLAIN, Carving(depth=6.0, ground=Ground.LEFT))
    assert panel_ground_level(panel) == -math.inf
    assert pockets(panel_field(panel, 0.3), level=panel_ground_level(panel)) == ()


def test_ground_left_standing_beside_forks_is_cut_along_the_strands_alone() -> None:
    left, lowered = (
        panel_field(plan_panel(FORKED, Carving(depth=6.0, ground=ground, easing=0.0)), 0.3)
        for ground in (Ground.LEFT, Ground.FLAT)
    )
    rim = np.concatenate([left.z[0], left.z[-1], left.z[:, 0], left.z[:, -1]])
    assert not rim.any()
    assert (left.z >= lowered.z - 1e-4).all()
    # between the halves, where ground is nearer than a line is wide, both are cut; far from strands it stands
    far = ndimage.distance_transform_edt(lowered.z < lowered.z.min() + 1e-3) * 0.3
    assert far.max() > 6 and not left.z[far > 6].any()


@pytest.mark.parametrize("frame", [Moulding.BEAD, Moulding.COVE])
def test_a_frame_round_ground_left_standing_is_sunk_as_deep_as_round_lowered_ground(frame: Moulding) -> None:
    panels = [
        plan_panel(PLAIN, Carving(depth=6.0, frame=frame, frame_width=8.0, ground=ground, easing=0.0))
        for ground in (Ground.LEFT, Ground.FLAT)
    ]
    left, lowered = (panel_field(panel, 0.3) for panel in panels)
    wide = int(8.0 / 0.3)
    for side in (np.s_[:wide], np.s_[-wide:]):
        middle = left.z.shape[1] // 2
        assert left.z[side, middle] == pytest.approx(lowered.z[side, middle], abs=0.02)
    assert -left.z.min() <= panels[0].deepest + 1e-4
    assert panels[0].least_left == pytest.approx(panels[0].thickness - panels[0].deepest)


# -------------------------------------------------------------------------------------------- thickness and walls


def test_strands_with_a_thickness_of_their_own_are_as_deep_as_their_weave_needs() -> None:
    natural = replace(PLAIN, strand=Strand(width=10.0, thickness=3.0))
    free = plan_panel(natural, Carving())
    assert free.depth >= np.ptp(free.z) + 3.0 - 1e-6
    assert free.kept_step == pytest.approx(free.step, abs=0.02)
    thin = plan_panel(natural, Carving(board=(100.0, 80.0, 5.0)))
    assert thin.depth == 2.5 < free.depth  # half of the board is left
    assert thin.kept_step < thin.step and any(finding.kind == "step" for finding in thin.findings)


def test_upright_walls_stand_on_the_edges_of_strands() -> None:
    upright, leaning = (panel_field(plan_panel(PLAIN, Carving(depth=6.0, draft_deg=d)), 0.1) for d in (0.0, 10.0))
    ground = [float((field.z < -6 + 1e-3).mean()) for field in (upright, leaning)]
    assert ground[0] > ground[1]
    # from the ground to a strand in one sample: next to no sample lies between
    between = [float(((field.z > -5.9) & (field.z < -5.0)).mean()) for field in (upright, leaning)]
    assert between[0] < 0.1 * between[1]


def test_a_relief_of_a_single_sample_is_a_board_all_the_same() -> None:
    tiny = Design(Grid(1, 1, 0.3, 0.3), strand=Strand(width=0.1))
    relief = reliefs.carve(tiny, Carving(board=(1.0, 1.0, 5.0), depth=0.1, resolution=1.0, easing=0.0))
    assert relief.field.z.shape == (1, 1)
    assert 4.8 <= volume(relief.mesh) <= 5.0


# ---------------------------------------------------------------------------------------------- fields in parts


def test_heights_are_the_same_on_one_processor_as_on_many_and_with_or_without_progress(monkeypatch) -> None:
    monkeypatch.setattr(filling, "BAND", 2000)
    panel = plan_panel(PLAIN, Carving(depth=6.0))
    found = []
    for processors in (1, 4):
        monkeypatch.setattr(filling.os, "cpu_count", lambda processors=processors: processors)
        shares: list[float] = []
        for progress in (None, lambda share, _stage, shares=shares: shares.append(share)):
            found.append(panel_field(panel, 0.5, progress).z)
        assert shares == sorted(shares) and len(shares) > 3
    assert all(np.array_equal(z, found[0]) for z in found[1:])


def test_work_on_many_processors_stops_where_it_is_told_to(monkeypatch) -> None:
    monkeypatch.setattr(filling, "BAND", 500)
    monkeypatch.setattr(filling.os, "cpu_count", lambda: 4)
    panel = plan_panel(PLAIN, Carving(depth=6.0))

    def stop(share: float, _stage: str) -> None:
        if share > 0.2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        panel_field(panel, 0.5, stop)


def test_a_field_of_one_square_is_halved_where_its_middle_stands_out() -> None:
    level = np.zeros((3, 3), np.float32)
    assert len(triangulate(level, 2, 0.1).corner) == 2
    peak = level.copy()
    peak[1, 1] = 1.0
    assert len(triangulate(peak, 2, 0.1).corner) == 4
    with pytest.raises(ValueError, match="does not part into squares of 4"):
        triangulate(level, 4, 0.1)


# ------------------------------------------------------------------------------------------------------- cutters


def test_a_flat_end_and_a_point_leave_no_ridges() -> None:
    assert tip_radius(Cutter(CutterKind.FLAT, 6.0)) == tip_radius(Cutter(CutterKind.V, 6.0, 60.0)) == 0.0


@pytest.mark.parametrize(
    ("work", "words"),
    [
        (lambda: scallop_height(3.0, 6.1), "6.1 mm apart"),
        (lambda: scallop_height(math.inf, 1.0), "give a stepover from 0"),
        (lambda: stepover_for(3.0, 3.1), "a scallop of 3.1 mm"),
        (lambda: stepover_for(0.0, 0.0), "give a height from 0"),
        (lambda: reach(board(np.zeros((20, 20)), 0.5), Cutter(CutterKind.BALL, 3.0), -1.0), "a tolerance of -1 mm"),
        (
            lambda: largest_cutter(board(np.zeros((20, 20)), 0.5), Cutter(CutterKind.BALL, 3.0), 1.0),
            "a share of 1 left",
        ),
        (
            lambda: largest_cutter(board(np.zeros((9, 9)), 0.5), Cutter(CutterKind.BALL, 3.0), 0.1, (40.0, 0.1)),
            "no size of cutter is narrower",
        ),
        (lambda: walls_across_grain(board(np.zeros((9, 9)), 0.5), math.nan), "a grain of nan degrees"),
        (lambda: walls_across_grain(board(np.zeros((9, 9)), 0.5), 0.0, 90.0), "steeper than 90 degrees"),
    ],
)
def test_what_cannot_be_cut_or_asked_is_refused_in_one_line(work, words: str) -> None:
    with pytest.raises(DesignError, match=words) as refused:
        work()
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("tools", "place", "words"),
    [
        (Tools(sections=((0, 0, 9, 0), (5, 5, 5, 5))), "make.carve.tools.sections[1]", "no length"),
        (Tools(cutters=(Cutter(CutterKind.BALL, 0.9),)), "make.carve.tools.cutters[0].diameter", "at most 0.45 mm"),
    ],
)
def test_tools_that_do_not_suit_the_map_are_refused_by_their_place(tools: Tools, place: str, words: str) -> None:
    panel = plan_panel(PLAIN, Carving(depth=6.0, tools=tools))
    with pytest.raises(DesignError, match=words) as refused:
        reach_report(panel, panel_field(panel, 0.5))
    assert refused.value.place == place


def test_a_v_with_a_flat_tip_is_looked_for_wider_than_its_tip() -> None:
    z = np.full((60, 60), -2.0)
    z[:, :20] = z[:, 40:] = 0.0  # a slot 10 mm wide
    found = largest_cutter(board(z, 0.5), Cutter(CutterKind.V, 6.0, 90.0, 3.0), 0.9, (1.0, 2.0, 4.0, 8.0))
    assert found is not None and found.cutter.diameter > found.cutter.tip == 3.0


def test_a_picture_of_few_pixels_still_shows_the_one_place_that_is_left() -> None:
    z = np.zeros((401, 300))
    z[200, 150] = -1.0  # a pit as wide as one sample
    found = reach(board(z, 0.5), Cutter(CutterKind.FLAT, 3.0), 0.05)
    whole, small = picture(found), picture(found, 50)
    assert whole.shape == (401, 300, 3) and max(small.shape) <= 50
    coloured = [np.ptp(pixels.astype(int), axis=2) > 60 for pixels in (whole, small)]
    assert coloured[0].sum() == coloured[1].sum() == 1


def test_cutters_of_one_kind_share_what_does_best_and_flat_ones_have_no_passes() -> None:
    tools = Tools(
        cutters=(Cutter(CutterKind.BALL, 2.0), Cutter(CutterKind.BALL, 4.0), Cutter(CutterKind.FLAT, 4.0)), share=0.5
    )
    panel = plan_panel(PLAIN, Carving(depth=6.0, tools=tools))
    found = reach_report(panel, panel_field(panel, 0.5))
    small, large, flat = found.facts["cutters"]
    assert small["largest_that_does"] == large["largest_that_does"] != flat["largest_that_does"]
    assert small["passes"]["stepover_mm"] < large["passes"]["stepover_mm"] and flat["passes"] is None


def test_without_pillow_the_picture_of_what_is_left_is_the_same_without_words(monkeypatch) -> None:
    z = np.zeros((60, 60))
    z[:, 29:31] = -1.0  # too narrow
    some = reach(board(z, 0.5), Cutter(CutterKind.FLAT, 3.0), 0.05)
    none = reach(board(np.zeros((60, 60)), 0.5), Cutter(CutterKind.FLAT, 3.0), 0.05)
    worded = [uncut_pixels([found]) for found in (some, none)]
    monkeypatch.setitem(sys.modules, "PIL", None)
    plain = [uncut_pixels([found]) for found in (some, none)]
    for with_words, without in zip(worded, plain, strict=True):
        assert with_words.shape == without.shape
        assert np.array_equal(with_words[:60], without[:60])
        assert (with_words[60:] != without[60:]).any()
    assert (plain[0][60:] != 255).any() and (plain[1][60:] == 255).all()  # nothing left, no scale


def test_a_drawing_needs_a_section() -> None:
    panel = plan_panel(PLAIN, Carving(depth=6.0))
    with pytest.raises(DesignError, match="no section to draw"):
        sections_svg(panel.made, panel_field(panel, 0.5), [], panel.thickness)


def test_a_design_without_strands_is_refused_with_the_reason_by_all_that_measure_them() -> None:
    panel = plan_panel(PLAIN, Carving(depth=6.0))
    field = panel_field(panel, 0.5)
    none = replace(panel.made, drawn=None)
    for measure in (
        lambda: crossing_depths(none, field),
        lambda: section_along(none, field, Line(0.0, 12.0, 72.0, 12.0)),
        lambda: bends(none),
        lambda: narrow_places(none, field),
    ):
        with pytest.raises(DesignError, match="no strand can be made"):
            measure()
    crowded = replace(
        PLAIN, heights=replace(PLAIN.heights, way=Making.CARVED), strand=Strand(width=16.9, thickness=9.0)
    )
    with pytest.raises(DesignError, match=r"no strand can be made, for the \w+ at") as refused:
        plan_panel(crowded, Carving())
    assert refused.value.remedy


# -------------------------------------------------------------------------------------------------------- memory


def test_memory_is_what_the_system_tells_and_else_half_of_what_is_built_in(monkeypatch, tmp_path) -> None:
    # MemAvailable of /proc/meminfo, in KiB (proc(5)); otherwise half of what is built in
    told = memory.free_memory()
    assert told is not None and 1e6 < told < 1e15
    pages = {"SC_PAGE_SIZE": 4096, "SC_PHYS_PAGES": 1 << 20}
    monkeypatch.setattr(memory.os, "sysconf", pages.__getitem__, raising=False)

    def none(*_args: object, **_more: object) -> None:
        raise FileNotFoundError(2, "No such file")

    monkeypatch.setattr("builtins.open", none)
    assert memory.free_memory() == 2.0**31

    def unknown(_name: str) -> int:
        raise ValueError("unrecognized configuration name")

    monkeypatch.setattr(memory.os, "sysconf", unknown, raising=False)
    assert memory.free_memory() is None


def test_an_old_kernel_that_tells_no_available_memory_is_asked_for_all(monkeypatch, tmp_path) -> None:
    (tmp_path / "meminfo").write_text("MemTotal: 1000 kB\nMemFree: 10 kB\n")
    real = open
    monkeypatch.setattr("builtins.open", lambda _name, **more: real(tmp_path / "meminfo", **more))
    monkeypatch.setattr(memory.os, "sysconf", lambda _name: 1000, raising=False)
    assert memory.free_memory() == 500_000.0


@pytest.mark.parametrize("answers", [True, False])
def test_on_windows_the_kernel_is_asked(monkeypatch, answers: bool) -> None:
    # MEMORYSTATUSEX (Windows' sysinfoapi.h, from memory): 64 bytes, ullAvailPhys at offset 16
    def status(pointer) -> int:
        raw = ctypes.cast(pointer, ctypes.POINTER(ctypes.c_ubyte * 64)).contents
        assert int.from_bytes(bytes(raw[:4]), "little") == 64
        raw[16:24] = list((3 << 30).to_bytes(8, "little"))
        return int(answers)

    windll = SimpleNamespace(kernel32=SimpleNamespace(GlobalMemoryStatusEx=status))
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(ctypes, "windll", windll, raising=False)
    assert memory.free_memory() == (float(3 << 30) if answers else None)


# --------------------------------------------------------------------------------------- strands too close for depth


def test_a_shallow_relief_of_close_strands_keeps_its_steps_or_says_how_little_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    close = Design(Grid(7, 5, 24.0, 24.0), strand=Strand(width=12.0))
    for attempts in (panel_planning.ATTEMPTS, 1):
        monkeypatch.setattr(panel_planning, "ATTEMPTS", attempts)
        planned = plan_panel(close, Carving(depth=2.0))
        # nothing stands out of the board, and every strand's edge stands over the ground
        assert planned.z.max() + planned.crown == pytest.approx(0.0, abs=1e-9)
        assert planned.z.min() + planned.edge >= -(1 - panel_planning.STANDING) * planned.depth - 1e-9
        said = {finding.kind: finding for finding in planned.findings}
        if attempts > 1:
            assert planned.kept_step == pytest.approx(planned.step, abs=1e-6) and not said
        else:
            assert said["step"].value == pytest.approx(planned.kept_step, abs=1e-4) and planned.kept_step < planned.step
