"""The sheet of a trim kit: where on it every piece lies, and what is refused that no sheet can have."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from knotgeom.errors import DesignError
from knotgeom.trims import unwrap
from knotgeom.trims.kit import Kit
from knotgeom.trims.options import Part, Textures
from knotgeom.trims.padding import nearest
from knotgeom.trims.sheet import MOST, coarse, laid, set_shared, set_sheet, uneven
from knotgeom.trims.splitting import turned
from tests.core.trim_bars import HEIGHT, PERIOD, bar_kit, bar_pieces


@pytest.fixture(scope="module")
def kit() -> Kit:
    return bar_kit()


def every_mesh(kit: Kit):
    return [(piece, level.mesh) for piece in kit.pieces for level in piece.levels]


def test_whole_repeats_run_right_across_the_sheet_so_that_it_comes_round(kit):
    block = next(one for one in kit.sheet.blocks if one.wraps)
    assert (block.texels[0], block.texels[2]) == (0, kit.sheet.width)
    copies = (block.box[2] - block.box[0]) / PERIOD
    assert copies == round(copies) and block.box[0] == 0
    for piece, mesh in every_mesh(kit):
        if piece.part is Part.STRAIGHT:
            behind, ahead = (mesh.uv[one].astype(float) for one in mesh.seam)
            assert_allclose(ahead - behind, np.tile([piece.repeats / copies, 0], (len(ahead), 1)), atol=1e-6)


def test_every_mm_of_every_piece_has_the_same_texels_both_ways(kit):
    size = np.array([kit.sheet.width, kit.sheet.height])
    for piece, mesh in every_mesh(kit):
        plan, uv = mesh.positions[mesh.triangles][..., :2], mesh.uv[mesh.triangles].astype(float) * size
        for a, b in ((0, 1), (1, 2), (2, 0)):
            away = np.linalg.norm((plan[:, b] - plan[:, a]) / [piece.stretched, 1], axis=1)
            assert_allclose(np.linalg.norm(uv[:, b] - uv[:, a], axis=1), away * kit.sheet.per_mm, atol=2e-3)


def test_parts_lie_apart_by_the_padding_and_within_the_sheet(kit):
    sheet = kit.sheet
    assert sheet.height & (sheet.height - 1) == 0 and sheet.height <= 2 * sheet.width
    for one in sheet.blocks:
        left, bottom, right, top = one.texels
        free = 0 if one.wraps else sheet.padding
        assert free <= left < right <= sheet.width - free
        assert sheet.padding <= bottom < top <= sheet.height - sheet.padding
        scale = (right - left) / (one.box[2] - one.box[0]), (top - bottom) / (one.box[3] - one.box[1])
        assert_allclose(scale, sheet.per_mm)
    for one, other in itertools.combinations(sheet.blocks, 2):
        apart = max(
            a[k] - b[k + 2] for a, b in ((one.texels, other.texels), (other.texels, one.texels)) for k in (0, 1)
        )
        assert apart >= sheet.padding, (one.piece, other.piece)


def test_every_vertex_lies_in_a_part_of_its_own_piece(kit):
    size = np.array([kit.sheet.width, kit.sheet.height])
    for piece, mesh in every_mesh(kit):
        if piece.part is Part.STRAIGHT:
            continue
        parts = [np.array(one.texels) for one in kit.sheet.blocks if one.piece == piece.name]
        texels = mesh.uv.astype(float) * size
        inside = [((texels >= part[:2] - 1e-3) & (texels <= part[2:] + 1e-3)).all(1) for part in parts]
        assert np.any(inside, axis=0).all()
        # and no triangle from one to another
        assert np.any([one[mesh.triangles].all(1) for one in inside], axis=0).all()


def test_u_runs_ahead_along_the_run_at_every_port(kit):
    for piece, mesh in every_mesh(kit):
        for port, seam in zip(piece.ports, mesh.seam):
            way = port.heading if port.ahead else port.heading + 180
            ahead = turned(mesh.tangents[seam], -way)
            assert (ahead[:, 0] > 0.99).all() and (mesh.tangents[seam, 3] == 1).all()


def test_a_density_is_kept_as_nearly_as_whole_repeats_allow_and_what_cannot_be_is_refused_with_what_can():
    pieces = bar_kit().pieces
    sheet = set_sheet(pieces, Textures(size=2048, density=3000.0), PERIOD, HEIGHT)
    # 8 repeats give 3200 texels a metre, 9 give 2844
    assert sheet.per_mm * 1000 == pytest.approx(2048 / (9 * PERIOD) * 1000)
    for density in (0.0, -1.0, float("nan")):
        with pytest.raises(DesignError, match="above 0"):
            set_sheet(pieces, Textures(density=density), PERIOD, HEIGHT)
    with pytest.raises(DesignError, match="texels a metre") as refused:
        set_sheet(pieces, Textures(size=1024, density=12_000.0), PERIOD, HEIGHT)
    density, size = (float(v) for v in re.findall(r"at most (\d+), or a size of (\d+)", str(refused.value))[0])
    set_sheet(pieces, Textures(size=1024, density=density), PERIOD, HEIGHT)
    set_sheet(pieces, Textures(size=int(size), density=12_000.0), PERIOD, HEIGHT)
    with pytest.raises(DesignError, match="padding"):
        set_sheet(pieces, Textures(size=64, padding=32), PERIOD, HEIGHT)
    with pytest.raises(DesignError, match="no straight piece"):
        set_sheet(pieces[2:], Textures(), PERIOD, HEIGHT)


def test_too_few_texels_are_found_and_the_remedy_mends_them():
    pieces = bar_kit().pieces
    sheet = set_sheet(pieces, Textures(size=256, padding=4), PERIOD, HEIGHT)
    assert sheet.per_mm == pytest.approx(256 / 160)
    found = coarse(sheet, 7.0, 2.0)
    assert [re.match(r"the (\w+) of", line)[1] for line in found] == ["strand", "gap"]
    assert coarse(sheet, 7.5, 2.5) == ()  # exactly 12 and 4
    size = max(int(re.search(r"width of (\d+)", line)[1]) for line in found)
    assert coarse(set_sheet(pieces, Textures(size=size, padding=4), PERIOD, HEIGHT), 7.0, 2.0) == ()


def test_several_trims_share_a_sheet_each_with_whole_repeats_across():
    one, other = bar_kit().pieces, bar_kit(corners=()).pieces
    wide = tuple(
        replace(
            piece,
            fine=replace(piece.fine, positions=piece.fine.positions * [0.7, 1, 1]),
            levels=tuple(
                replace(level, mesh=replace(level.mesh, positions=level.mesh.positions * [0.7, 1, 1]))
                for level in piece.levels
            ),
        )
        for piece in other
    )
    sheet = set_shared(
        [("door-", one, PERIOD, HEIGHT), ("belt-", wide, 0.7 * PERIOD, HEIGHT)], Textures(size=2048, density=3000.0)
    )
    assert len({(block.piece, block.port) for block in sheet.blocks}) == len(sheet.blocks)
    rows = [block for block in sheet.blocks if block.wraps]
    assert [row.piece for row in rows] == ["door-straight", "belt-straight"]
    for row, period in zip(rows, (PERIOD, 0.7 * PERIOD)):
        assert row.texels[::2] == (0, 2048)
        assert (row.box[2] / period) == pytest.approx(round(row.box[2] / period))
    assert 0 < uneven(sheet) < 0.02
    mesh = laid(wide[0].levels[0].mesh, wide[0], sheet, "belt-")
    assert mesh.uv[:, 0].max() == pytest.approx(1 / round(rows[1].box[2] / (0.7 * PERIOD)))


def test_padding_that_leaves_no_room_is_refused_with_how_much_does():
    """Every part goes into a row of its own here, so that free texels alone are more than the sheet is high."""
    pieces = bar_pieces()
    with pytest.raises(DesignError, match="512 texels between them") as refused:
        set_sheet(pieces, Textures(size=1040, padding=512), PERIOD, HEIGHT)
    less = int(re.search(r"at most (\d+)", refused.value.remedy)[1])
    sheet = set_sheet(pieces, Textures(size=1040, padding=less), PERIOD, HEIGHT)
    assert sheet.height <= 2 * 1040 and less > 16


def test_no_sheet_is_higher_than_may_be_and_a_density_that_would_make_it_so_is_refused_with_one_that_does_not():
    pieces = bar_pieces()
    with pytest.raises(DesignError, match="texels of height") as refused:
        set_sheet(pieces, Textures(size=16384, density=120_000.0), PERIOD, HEIGHT)
    density = float(re.search(r"at most ([\d.]+)", refused.value.remedy)[1])
    kept = set_sheet(pieces, Textures(size=16384, density=density), PERIOD, HEIGHT)
    free = set_sheet(pieces, Textures(size=16384), PERIOD, HEIGHT)  # as dense as finds room
    assert kept.height <= MOST and free.height <= MOST
    assert kept.per_mm == free.per_mm == pytest.approx(density / 1000, rel=1e-4)


def test_more_stretches_of_strand_than_find_room_beside_one_another_are_refused(kit, monkeypatch):
    mesh = kit.pieces[0].levels[0].mesh
    strip = unwrap.unwrap(mesh)
    assert strip.light_uv.max() <= 1
    monkeypatch.setattr(unwrap, "MARGIN", 0.4)  # so wide that two patches find none
    with pytest.raises(DesignError, match="find no room") as refused:
        unwrap.unwrap(mesh)
    assert refused.value.place == "make.trim.repeats"


@pytest.mark.parametrize("covered", [np.zeros((4, 5), bool), np.ones((4, 5), bool)], ids=["bare", "covered"])
def test_a_sheet_with_nothing_to_fill_from_or_nothing_to_fill_stays_as_it_is(covered):
    assert [len(found) for found in nearest(covered, 3)] == [0, 0]
    half = np.arange(20).reshape(4, 5) % 2 == 0
    assert [len(found) for found in nearest(half, 0)] == [0, 0]
    assert len(nearest(half, 1)[0]) == 10
