"""Pieces at their limits: smooth bodies, parts that fall apart, marks without a plate, no room for a pocket."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh

from knotgeom.design import Design, Divide, Grid, Groove, Heights, Making, Section, Strand
from knotgeom.errors import DesignError
from knotgeom.mesh import Mesh
from knotgeom.printing import allowances, bodies, fillet, lettering, scaling, touching, walls
from knotgeom.printing import knot as knots
from knotgeom.printing import piece as pieces
from knotgeom.printing.checks import check_bodies
from knotgeom.printing.hanging import Bulk, bail
from knotgeom.printing.hollow import pocket
from knotgeom.printing.knot import knot_of
from knotgeom.printing.materials import material
from knotgeom.printing.options import Bail, BailKind, Eye, Frame, Hollow, Mark, Outline, Place, Plate, Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.profiles import profile
from knotgeom.printing.refusals import refuse_size
from knotgeom.printing.remedies import check_piece
from knotgeom.reading import read_text
from tests.core.exact import pairs_of
from tests.core.test_printing import FREE, KNOT, LOPSIDED, assert_sound, whole

SILVER = material("sterling silver")
CASTING = profile("lost-wax casting in silver")


def arrays(shape: trimesh.Trimesh) -> tuple[np.ndarray, np.ndarray]:
    return np.asarray(shape.vertices, float), np.asarray(shape.faces, np.int64)


def mesh_of(shape: trimesh.Trimesh) -> Mesh:
    return bodies.mesh_of(*arrays(shape))


# ---------------------------------------------------------------------------------------- bodies without an edge


def test_a_ball_has_no_crease_to_fill_and_no_rim_to_round() -> None:
    # faces of an icosphere of 5,120 triangles turn by less than 5 degrees
    vertices, triangles = arrays(trimesh.creation.icosphere(4, 6.0))
    for done in (fillet.filled(vertices, triangles, 0.25), fillet.rounded(vertices, triangles, 0.2)):
        assert np.array_equal(done.vertices, vertices) and np.array_equal(done.triangles, triangles)
        assert done.became.usual is None
    assert allowances.enlarged(vertices, triangles, 0.0) is vertices
    grown = allowances.enlarged(vertices, triangles, 0.5)
    assert np.linalg.norm(grown, axis=1) == pytest.approx(6.5, abs=0.01)


def test_an_open_mesh_is_no_solid() -> None:
    vertices, triangles = arrays(trimesh.creation.box((2.0, 3.0, 4.0)))
    assert bodies.solid_of(vertices, triangles).volume() == pytest.approx(24.0)
    with pytest.raises(DesignError, match="the mesh is no solid"):
        bodies.solid_of(vertices, triangles[:-1])


def test_vertices_that_a_solid_holds_twice_for_their_colours_are_joined() -> None:
    # two triangles of a box have vertices of their own that stand where others do, as manifold3d has it where
    # properties differ
    vertices, triangles = arrays(trimesh.creation.box((2.0, 3.0, 4.0)))
    own, changed = np.unique(triangles[:2]), triangles.copy()
    changed[:2] = 8 + np.searchsorted(own, triangles[:2])
    properties = np.column_stack([np.vstack([vertices, vertices[own]]), np.r_[np.zeros(8), np.ones(len(own))]])
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            properties,
            changed.astype(np.uint64),
            merge_from_vert=np.arange(8, 8 + len(own), dtype=np.uint64),
            merge_to_vert=own.astype(np.uint64),
        )
    )
    assert solid.num_prop() == 1 and solid.volume() == pytest.approx(24.0)
    joined = trimesh.Trimesh(*bodies.arrays_of(solid), process=False)
    assert joined.is_watertight and len(joined.vertices) == 8 and joined.volume == pytest.approx(24.0)


# --------------------------------------------------------------------------------------------- parts of a piece

DOT = Design(Grid(3, 2, 0.08, 0.08), strand=Strand(0.03, 0.01), heights=Heights(Making.FUSED, step=0.004))
TWO = Design(
    Grid(5, 2, 8.0, 8.0, without=((2, 0), (2, 1))),
    strand=Strand(3.2, 1.8),
    heights=Heights(Making.FUSED, step=0.7),
)
"""Two knots of 2 x 2 with a cell's width between them."""


def test_two_knots_that_nothing_joins_are_said_to_fall_apart_and_a_plate_holds_them() -> None:
    apart = make_piece(TWO, Printing(fillet=0, rounding=0))
    checked = check_piece(apart, CASTING, SILVER)
    assert sum(whole(mesh).body_count for mesh in apart.bodies) == checked.expected == checked.bodies == 2
    (finding,) = [one for one in checked.findings if one.kind == "bodies"]
    assert "form 2 parts that nothing joins" in finding.remedy and "add a plate or a frame" in finding.remedy
    held = make_piece(TWO, Printing(fillet=0, rounding=0, plate=Plate(shape=Outline.OVAL)))
    checked = check_piece(held, CASTING, SILVER)
    assert len(held.bodies) == checked.expected == checked.bodies == 1
    assert not [one for one in checked.findings if one.kind == "bodies"]
    assert_sound(held)


def test_nothing_is_no_piece() -> None:
    empty = replace(mesh_of(trimesh.creation.box((1.0, 1.0, 1.0))), triangles=np.zeros((0, 3), np.int32))
    for none in ([], [empty]):
        with pytest.raises(DesignError, match="no body to check"):
            check_bodies(none, CASTING, SILVER)


def test_a_mark_without_a_plate_stands_on_a_pad_of_its_own() -> None:
    bare = make_piece(KNOT, Printing(fillet=0, rounding=0))
    marked = make_piece(KNOT, Printing(fillet=0, rounding=0, mark=Mark(6.0, 3.0, 0.8)))
    assert_sound(marked)
    low = min(float(mesh.vertices[:, 2].min()) for mesh in marked.bodies)
    flat = [whole(mesh) for mesh in marked.bodies]
    back = sum(
        float(mesh.area_faces[(mesh.face_normals[:, 2] < -0.999) & (mesh.triangles_center[:, 2] < low + 1e-3)].sum())
        for mesh in flat
    )
    assert back >= 6.0 * 3.0 - 0.01
    assert sum(mesh.volume for mesh in flat) > sum(whole(mesh).volume for mesh in bare.bodies)


def test_a_plate_thinner_than_its_wall_gives_no_pocket_and_a_thicker_one_a_shell() -> None:
    thin, thick = (
        trimesh.creation.box((20.0, 20.0, height)).apply_translation((0, 0, height / 2)) for height in (1, 3)
    )
    assert pocket(mesh_of(thin), 0.0, 1.0, None, 0.05) is None
    taken = pocket(mesh_of(thick), 0.0, 1.0, None, 0.05)
    assert taken is not None
    # what is left everywhere is the wall: an inner box of 18 x 18 x 2, its rims rounded by a ball of the wall's radius
    inner = 18.0 * 18 * 2
    assert inner - 4 * 18 * (1 - math.pi / 4) - 40 < taken.volume() < inner + 1


def test_a_groove_with_a_depth_of_its_own_is_as_much_deeper_as_strands_are_thicker() -> None:
    design = replace(KNOT, strand=Strand(3.2, 1.8, Section.MEDIAN_INCISED, Groove(depth=0.4)))
    for thicker in (1.0, 1.5):
        made = knot_of(design, thicker, 1.0, 0.0, 0.05).made.counted.design.strand
        assert made.groove.depth == pytest.approx(0.4 * thicker) and made.thickness == pytest.approx(1.8 * thicker)


@pytest.mark.parametrize("gap", [0.0, 0.32])
def test_halves_of_a_strand_are_one_sound_piece_with_a_gap_and_without(gap: float) -> None:
    piece = make_piece(replace(KNOT, divide=Divide(all=True, gap=gap)), Printing(fillet=0, rounding=0))
    assert_sound(piece)
    for mesh in piece.bodies:
        assert pairs_of(mesh) == 0  # by CGAL's exact predicates through libigl


# --------------------------------------------------------------------------------------------------- what hangs


def test_a_bail_too_stout_for_free_strands_is_refused_with_the_clearance() -> None:
    with pytest.raises(DesignError, match=r"within [0-9.-]+ mm of another strand, 0.40 mm being set") as refused:
        make_piece(FREE, Printing(bail=Bail(BailKind.TUBE, wall=2.0, length=16.0)))
    assert refused.value.place == "make.print.bail"


def test_a_hidden_bail_that_openings_would_show_is_refused_with_the_metal_that_would_hold_it() -> None:
    square = manifold3d.CrossSection.square
    for side, holds in ((1.0, True), (0.6, False)):  # how wide the ring of metal is
        plan = square((14, 14), True) - square((14 - 2 * side, 14 - 2 * side), True)
        bulk = Bulk(0.0, 0.0, 1.0, 0.0, 2.0)
        if holds:
            made = bail(Bail(BailKind.HIDDEN), plan, bulk, 0.02)
            assert (made.region - plan.hull()).area() < 1e-6  # nothing of it stands out beyond the piece
            continue
        with pytest.raises(DesignError, match="only 3.6 mm2 of the piece lie before a hidden bail") as refused:
            bail(Bail(BailKind.HIDDEN), plan, bulk, 0.02)
        assert refused.value.place == "make.print.bail.length"


@pytest.mark.parametrize(
    ("asked", "place"),
    [
        (Printing(bail=Bail(BailKind.HIDDEN, wall=0.8)), "make.print.bail"),
        (Printing(eye=Eye(thickness=0.5, place=Place.BOTTOM)), "make.print.eye"),
    ],
)
def test_what_hangs_level_with_the_middle_does_not_reach_thin_strands_far_above_it(asked: Printing, place: str) -> None:
    # strands 0.3 mm thick that rise 8 mm at crossings
    high = replace(LOPSIDED, strand=Strand(1.2, 0.3), heights=Heights(Making.FUSED, step=8.0))
    with pytest.raises(DesignError, match="does not reach the piece") as refused:
        make_piece(high, replace(asked, fillet=0, rounding=0))
    assert refused.value.place == place


# ------------------------------------------------------------------------------------------------ sizes and masses


def test_free_strands_weigh_what_is_asked_and_keep_apart() -> None:
    plain = Printing(fillet=0, rounding=0, mass_g=12.0)
    piece = make_piece(FREE, plain)
    density = SILVER.density_g_cm3 / 1000
    assert sum(whole(mesh).volume for mesh in piece.finished) * density == pytest.approx(12.0, rel=0.003)
    one, other = (bodies.solid_of(mesh.vertices, mesh.triangles) for mesh in piece.finished)
    assert one.min_gap(other, 2.0) > 0.95 * FREE.heights.clearance


def test_free_strands_whose_coarse_mesh_touches_are_meshed_finely_and_refused_where_that_touches_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looked: list[int] = []

    def clear(_vertices: object, triangles: np.ndarray, *_: object) -> bool:
        looked.append(len(triangles))
        return len(looked) == 2

    monkeypatch.setattr(knots, "_is_clear", clear)
    made = knot_of(FREE, 1.0, 1.0, 0.0, 0.5)
    assert looked[1] > looked[0] and len(made.triangles) == looked[1]
    with pytest.raises(DesignError, match="free strands would touch each other") as refused:
        knot_of(FREE, 1.0, 1.0, 0.0, 0.5)
    assert refused.value.place == "strand.width" and f"{FREE.strand.width:g} mm" in refused.value.remedy


@pytest.mark.parametrize(("shift", "least", "clear"), [(2.5, 0.4, True), (2.5, 0.6, False), (1.5, 0.0, False)])
def test_bodies_are_clear_of_one_another_by_what_lies_between_them(shift: float, least: float, clear: bool) -> None:
    parts = [arrays(trimesh.creation.box((2.0, 2.0, 2.0)).apply_translation((x, 0.1 * x, 0.2 * x))) for x in (0, shift)]
    vertices = np.vstack([part[0] for part in parts])
    triangles = np.vstack([parts[0][1], parts[1][1] + len(parts[0][0])])
    assert knots._is_clear(vertices, triangles, tuple(parts), least) == clear


def test_a_frame_that_would_cut_the_knot_is_refused_at_any_size() -> None:
    for size in (None, 20.0):
        with pytest.raises(DesignError, match="the frame would cut the knot") as refused:
            make_piece(KNOT, Printing(fillet=0, rounding=0, size=size, frame=Frame(overlap=2.5)))
        assert refused.value.place == "make.print.frame.overlap"


def test_a_mass_that_is_not_met_is_refused_with_the_one_that_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scaling, "TRIES", 0)
    own = make_piece(FREE, Printing(fillet=0, rounding=0)).mass_g
    assert make_piece(FREE, Printing(fillet=0, rounding=0, mass_g=own)).thicker == 1.0
    with pytest.raises(DesignError, match=f"{own:.2f} g is the nearest") as refused:
        make_piece(FREE, Printing(fillet=0, rounding=0, mass_g=2 * own))
    assert refused.value.place == "make.print.mass_g"


def test_a_size_that_is_met_at_no_scale_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pieces, "size_off", lambda *_: 1.0)  # as where it jumps with the scale
    with pytest.raises(DesignError, match="still no room") as refused:
        make_piece(KNOT, Printing(fillet=0, rounding=0, size=20.0))
    assert refused.value.place == "make.print.size"


def test_a_hollowed_back_without_a_mark_takes_more_than_one_that_keeps_it() -> None:
    back = Printing(fillet=0, rounding=0, plate=Plate(thickness=2.0))
    solid, kept, hollow = (
        make_piece(KNOT, replace(back, **more))
        for more in ({}, {"hollow": Hollow(0.8), "mark": Mark(8.0, 3.0, 0.8)}, {"hollow": Hollow(0.8)})
    )
    for piece in (solid, kept, hollow):
        assert_sound(piece)
    assert hollow.mass_g < kept.mass_g < solid.mass_g
    # over the mark, its edge included, up to two walls and the strands above are left
    over = (8.0 + 2 * 0.8) * (3.0 + 2 * 0.8) * SILVER.density_g_cm3 / 1000
    assert over * (2.0 - 0.8) * 0.5 < kept.mass_g - hollow.mass_g < over * (2.0 + 1.8 + 0.7)


@pytest.mark.parametrize(
    ("design", "options", "problem"),
    [
        (KNOT, Printing(size=0.5), "found 0.5 mm"),
        (KNOT, Printing(size=5000.0), "found 5000 mm"),
        (KNOT, Printing(size=5.0, plate=Plate(), bail=Bail()), "no knot is large enough to carry its plate"),
        (DOT, Printing(), "the knot is 0.2294 mm across"),
    ],
)
def test_a_size_out_of_reach_is_refused_before_anything_is_united(
    design: Design, options: Printing, problem: str
) -> None:
    with pytest.raises(DesignError, match=problem) as refused:
        make_piece(design, options)
    assert refused.value.place == "make.print.size" and "\n" not in str(refused.value)


def test_a_model_that_was_hardly_meant_in_mm_is_refused() -> None:
    sizes = {0.4: "0.4 mm", 30.0: None, 2000.0: "2000 mm"}
    for side, said in sizes.items():
        box = mesh_of(trimesh.creation.box((side, side / 2, side / 3)))
        if said is None:
            refuse_size((box,))
            continue
        with pytest.raises(DesignError, match=said) as refused:
            refuse_size((box,))
        assert refused.value.place == "make.print.size"


# ---------------------------------------------------------------------------------------------- measures and words


@pytest.mark.parametrize("key", ["material", "process"])
def test_a_name_that_is_none_is_refused_with_those_that_are(key: str) -> None:
    text = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": 8}, "make": {"print": {"%s": "cheese"}}}'
    with pytest.raises(DesignError, match='"cheese"') as refused:
        read_text(text % key)
    assert refused.value.place == f"make.print.{key}" and refused.value.remedy.count('"') >= 4


def test_a_surface_of_nothing_has_no_thinnest_place() -> None:
    flat = mesh_of(trimesh.creation.box((10.0, 8.0, 1.3)))
    none = replace(flat, triangles=np.zeros((0, 3), np.int32))
    assert walls.measure(none) == walls.Leasts(touching.NOTHING, touching.NOTHING, touching.NOTHING)


def test_lines_off_the_picture_leave_it_as_it_was_and_on_it_draw_their_width() -> None:
    white = np.full((40, 60, 3), 255, np.uint8)
    picture = white.copy()
    for points in ([(-30.0, 5.0), (-10.0, 30.0)], [(5.0, 50.0), (50.0, 70.0)]):
        lettering.line(picture, points, 2.0, (0, 0, 0))
        assert np.array_equal(picture, white)
    lettering.line(picture, [(5.0, 20.0), (55.0, 20.0)], 4.0, (0, 0, 0))
    assert (255 - picture[:, 30, 0].astype(float)).sum() / 255 == pytest.approx(4.0, abs=0.1)
