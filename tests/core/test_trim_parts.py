"""Trim kits: pieces that fit in any order, to the bit, with the weave running on alternating through every joint."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from knotgeom import counting
from knotgeom.design import (
    Border,
    Breaks,
    Cylinder,
    Design,
    Divide,
    Grid,
    Heights,
    Make,
    Making,
    Pass,
    Rim,
    Site,
    Strand,
    Strip,
    Way,
)
from knotgeom.errors import DesignError
from knotgeom.starters import STARTERS, Purpose
from knotgeom.trims import parts
from knotgeom.trims.build import make_kit
from knotgeom.trims.cutting import cut_piece, seam_rings
from knotgeom.trims.kit import Kit, Port, piece
from knotgeom.trims.levels import choose_seams, fine_mesh, make_level
from knotgeom.trims.options import Part, Textures, Trimming
from knotgeom.trims.patches import OPEN, Patches
from knotgeom.trims.pattern import one_repeat, pattern_of
from knotgeom.trims.seams import into_port, run_ahead, turned
from knotgeom.trims.straights import best_phase, cut_straight, swept
from tests.core.trim_deviation import deviation_by_libigl

TRIM = Trimming(triangles=900, levels=(100.0, 30.0), corners=(90.0, 60.0), textures=Textures(size=256, padding=4))
PLAIN = Design(
    Strip(3, 2, 40.0, 40.0), strand=Strand(16.0, 8.0), heights=Heights(Making.FUSED, step=3.0), make=Make(trim=TRIM)
)
BROKEN = replace(PLAIN, layout=Strip(4, 3, 40.0, 40.0), breaks=Breaks(vertical=(Site(4, 3),)))
PARTED = replace(BROKEN, breaks=Breaks(vertical=(Site(0, 3),)))  # where arms begin and end
SPLIT = replace(BROKEN, breaks=Breaks(horizontal=(Site(0, 3),)))
CROSSED = replace(
    PLAIN, layout=replace(PLAIN.layout, lower_edge=Rim.CROSSED, upper_edge=Rim.CROSSED), strand=Strand(8.0, 5.0)
)
DIVIDED = replace(
    PLAIN,
    divide=Divide(all=True),
    make=Make(trim=replace(TRIM, triangles=4000, pieces=(Part.STRAIGHT, Part.INNER, Part.CHANGE))),
)


def cut_all(design: Design) -> dict[str, Patches]:
    """Every piece that a design's kit can have, cut; with how far strands were led to meet the seam."""
    filled = one_repeat(design)
    pattern = pattern_of(filled, best_phase(filled))
    straight = cut_straight(pattern)
    seams, found = {"run": seam_rings(straight)}, {"straight": straight}
    width = float(filled.strand.width or 0)
    for plan in (
        parts.corner(pattern, 90.0),
        parts.corner(pattern, -90.0),
        parts.cap_ahead(pattern),
        parts.cap_behind(pattern),
        parts.tee(pattern),
        parts.cross(pattern),
    ):
        taken = swept(plan)
        found[plan.name], moved = cut_piece(plan, taken.strands, taken.partings, pattern.reach, width, seams)
        assert moved < 0.02 * width, f"strands of {plan.name} are led over by {moved:.3f} mm"
    return found


@pytest.fixture(scope="module")
def pieces() -> dict[str, Patches]:
    """The pieces of a plain strip."""
    return cut_all(PLAIN)


@pytest.fixture(scope="module")
def kit() -> Kit:
    """A whole kit."""
    return make_kit(PLAIN)


@pytest.fixture(scope="module")
def divided() -> Kit:
    """The kit of a strip that is divided everywhere."""
    return make_kit(DIVIDED)


def crossings(patches: Patches) -> dict[tuple[int, int], list[bool]]:
    """Over (True) or under at each crossing that a strand meets, from every end at a port.

    Measured on the strands' middle lines in space; nothing is asked of the weave.
    """
    lines = [run.points.mean(1) for run in patches.runs]
    met: list[list[tuple[float, bool]]] = [[] for _ in lines]
    for a, b in itertools.combinations_with_replacement(range(len(lines)), 2):
        p, r = lines[a][:-1], np.diff(lines[a], axis=0)
        q, s = lines[b][:-1], np.diff(lines[b], axis=0)
        cross = r[:, None, 0] * s[None, :, 1] - r[:, None, 1] * s[None, :, 0]
        off = q[None, :, :2] - p[:, None, :2]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (off[..., 0] * s[None, :, 1] - off[..., 1] * s[None, :, 0]) / cross
            u = (off[..., 0] * r[:, None, 1] - off[..., 1] * r[:, None, 0]) / cross
        hit = (t > -1e-6) & (t < 1 + 1e-6) & (u > -1e-6) & (u < 1 + 1e-6)
        if a == b:
            hit &= np.abs(np.subtract.outer(np.arange(len(p)), np.arange(len(q)))) > 2
            hit &= np.triu(np.ones_like(hit))
        told: list[float] = []
        for i, j in np.argwhere(hit):
            # where strands cross at the end of two stretches they do so once
            if any(abs(i + t[i, j] - other) < 0.5 for other in told):
                continue
            told.append(i + t[i, j])
            over = p[i, 2] + t[i, j] * r[i, 2] > q[j, 2] + u[i, j] * s[j, 2]
            met[a].append((i + t[i, j], bool(over)))
            met[b].append((j + u[i, j], not over))
    found = {}
    for number, run in enumerate(patches.runs):
        order = [over for _, over in sorted(met[number])]
        if run.ports[0] != OPEN:
            found[run.ports[0], run.seam_key[0]] = order
        if run.ports[1] != OPEN:
            found[run.ports[1], run.seam_key[1]] = order[::-1]
    return found


@pytest.mark.parametrize(
    "design",
    [PLAIN, BROKEN, PARTED, SPLIT, CROSSED],
    ids=["plain", "a break", "a break where repeats meet", "a break across there", "crossed edges"],
)
def test_the_weave_runs_on_alternating_through_every_joint_and_inside_every_piece(design):
    found = cut_all(design)
    aside = np.concatenate([run.points[..., 1].ravel() for run in found["straight"].runs])
    assert found["straight"].box[1] <= aside.min() and aside.max() <= found["straight"].box[3], "loops belong to it"
    first: dict[bool, dict[int, set[bool]]] = {True: {}, False: {}}
    for patches in found.values():
        for (port, key), order in crossings(patches).items():
            assert all(a != b for a, b in zip(order, order[1:], strict=False)), patches.name
            if order:
                first[patches.ports[port].ahead].setdefault(key, set()).add(order[0])
    assert set(first[True]) == set(first[False]) and first[True]
    for key, before in first[True].items():
        after = first[False][key]
        assert len(before) == len(after) == 1, "the same in all pieces"
        assert before != after, "over in one piece is under in the next"


def test_a_frame_of_corners_and_straights_has_the_circuits_of_a_border_of_its_size(pieces):
    """The border is laid out and traced whole; the frame's strands are followed from piece to piece."""
    corner = pieces["corner-inner-090"]
    leg = np.linalg.norm(np.subtract(corner.ports[1].at, corner.ports[0].at)) / np.sqrt(2)
    for straights in (0, 1, 2):
        sequence = (["corner-inner-090"] + ["straight"] * straights) * 4
        count = _circuits([pieces[name] for name in sequence])
        inside = round((2 * leg + straights * 120.0 - 80.0) / 40.0)
        whole = counting.count(Design(Border((inside, inside), 2, 40.0), strand=PLAIN.strand))
        assert count == whole.circuits.count
        assert sum(len(crossings_of(pieces[name])) for name in sequence) == whole.strand_map.crossings


def crossings_of(patches: Patches) -> list[None]:
    """As many as a piece has crossings: each is met by two stretches of strand."""
    lines = {id(run): len(order) for run, order in _orders(patches)}
    return [None] * (sum(lines.values()) // 2)


def _orders(patches):
    found = crossings(patches)
    for run in patches.runs:
        key = (run.ports[0], run.seam_key[0]) if run.ports[0] != OPEN else (run.ports[1], run.seam_key[1])
        yield run, found[key]


def _circuits(sequence: list[Patches]) -> int:
    """Closed strands of pieces joined end to end, the last to the first."""
    over = {}
    for k, patches in enumerate(sequence):
        for run in patches.runs:
            one, other = ((k, run.ports[end], run.seam_key[end]) for end in (0, 1))
            over[one], over[other] = other, one

    def across(end):
        k, port, key = end
        ahead = sequence[k].ports[port].ahead
        beside = (k + (1 if ahead else -1)) % len(sequence)
        into = next(n for n, p in enumerate(sequence[beside].ports) if p.ahead != ahead)
        return beside, into, key

    left, count = set(over), 0
    while left:
        at = first = left.pop()
        while True:
            left.discard(at)
            at = over[at]
            left.discard(at)
            at = across(at)
            if at == first:
                break
        count += 1
    return count


def at_port(mesh, port: Port, number: int):
    """Places, normals and tangents of a seam in the port's own frame."""
    rows = mesh.seam[number]
    back = -run_ahead(port)
    return (
        into_port(port, mesh.positions[rows]),
        turned(mesh.normals[rows], back),
        turned(mesh.tangents[rows, :3], back),
        mesh.tangents[rows, 3],
    )


@pytest.mark.parametrize("name", ["kit", "divided"])
def test_vertices_normals_and_tangents_are_the_same_to_the_bit_at_every_port_of_a_kit(name, request):
    kit: Kit = request.getfixturevalue(name)
    for level in range(2):
        known: dict[str, tuple[np.ndarray, ...]] = {}
        for one in kit.pieces:
            for number, port in enumerate(one.ports):
                found = at_port(one.levels[level].mesh, port, number)
                wanted = known.setdefault(port.profile, found)
                square = port.heading % 90 == 0
                for a, b in zip(found, wanted, strict=True):
                    assert a.shape == b.shape and len(a) > 0
                    # a turn by another angle than quarters rounds; before it the numbers are the same
                    assert np.array_equal(a, b) if square else np.abs(a - b).max() < 1e-12, (one.name, level)


def test_every_level_keeps_its_budget_and_says_how_far_off_it_is(kit):
    straight = piece(kit, "straight")
    assert len(straight.levels[0].mesh.triangles) <= 900 and len(straight.levels[1].mesh.triangles) <= 270
    for one in kit.pieces:
        assert one.levels[0].deviation < one.levels[1].deviation < one.levels[-1].deviation
        assert one.levels[-1].card


@pytest.mark.parametrize("name", ["kit", "divided"])
def test_the_deviation_of_every_piece_is_the_distance_that_libigl_measures(name, request):
    for one in request.getfixturevalue(name).pieces:
        for level in one.levels:
            if not level.card:
                assert level.deviation == pytest.approx(deviation_by_libigl(one.fine, level.mesh), rel=1e-9), one.name


def test_pointed_bends_of_a_cap_keep_the_tolerance_with_the_rails_of_the_straight_piece():
    """From one ring to the next a strand turns by a right angle there and climbs, which no facet comes near."""
    filled = one_repeat(STARTERS[Purpose.TRIM])
    pattern = pattern_of(filled, best_phase(filled))
    straight, plan = cut_straight(pattern), parts.cap_ahead(pattern)
    taken, width = swept(plan), float(filled.strand.width)
    rings = {"run": seam_rings(straight)}
    cap, _ = cut_piece(plan, taken.strands, taken.partings, pattern.reach, width, rings)
    for tolerance in (0.1, 0.25, 0.6):
        seams = choose_seams([straight], tolerance)
        mesh, off = make_level(cap, tolerance, seams=seams)
        assert off == pytest.approx(deviation_by_libigl(fine_mesh(cap), mesh), rel=1e-9)
        assert off < 2 * tolerance


def test_a_kit_has_every_piece_by_names_that_sort(kit):
    assert [one.name for one in kit.pieces] == [
        "cap-ahead", "cap-behind", "corner-inner-060", "corner-inner-090", "corner-outer-060", "corner-outer-090",
        "cross", "straight", "tee",
    ]  # fmt: skip


def test_where_a_divided_strand_begins_one_side_is_plain_and_the_other_divided(divided):
    begins, ends = piece(divided, "change-divide"), piece(divided, "change-unite")
    assert [(port.ahead, port.profile) for port in begins.ports] == [(False, "plain"), (True, "run")]
    assert [(port.ahead, port.profile) for port in ends.ports] == [(False, "run"), (True, "plain")]
    plain, run = piece(divided, "straight-plain"), piece(divided, "straight")
    assert plain.ports[0].profile == "plain" and run.ports[0].profile == "run"
    assert len(run.levels[0].mesh.seam[0]) > len(plain.levels[0].mesh.seam[0]), "two halves for each strand"


def test_lengths_are_whole_repeats_stretched_and_their_ends_the_straight_pieces(kit):
    asked = replace(TRIM, lengths=(500.0,), pieces=(Part.STRAIGHT,))
    longer = make_kit(PLAIN, asked)
    one = piece(longer, "straight-0500")
    assert one.repeats == 4 and one.stretched == pytest.approx(500 / 480)
    assert one.ports[1].at == (500.0, 0.0)
    short = piece(longer, "straight")
    for number in (0, 1):
        for a, b in zip(
            at_port(one.levels[0].mesh, one.ports[number], number),
            at_port(short.levels[0].mesh, short.ports[number], number),
            strict=True,
        ):
            assert np.array_equal(a, b)


def test_strands_that_divide_wherever_the_strip_could_be_cut_are_refused_with_what_then_gives_a_kit():
    picks = [(0, 1, "f"), (2, 1, "f"), (4, 1, "f"), (0, 3, "f"), (2, 3, "f"), (4, 3, "r"), (4, 3, "f")]
    ways = {"r": Way.RISING, "f": Way.FALLING}
    passes = tuple(Pass(x, y, ways[way]) for x, y, way in picks)
    trim = replace(TRIM, triangles=6000, levels=(100.0,), pieces=(Part.STRAIGHT,))
    design = replace(PLAIN, divide=Divide(passes=passes, gap=2.0), make=Make(trim=trim))
    with pytest.raises(DesignError, match="wherever the strip could be cut") as refused:
        make_kit(design)
    left_whole = [int(x) for x in re.findall(r"x = (\d+)", refused.value.remedy)]
    assert len(left_whole) == 2
    mended = tuple(one for one in passes if one.x not in left_whole)
    assert piece(make_kit(replace(design, divide=Divide(passes=mended, gap=2.0))), "straight").levels


@pytest.mark.parametrize("turn", [90.0, -90.0])
def test_a_lopsided_section_goes_on_through_a_corner_as_it_comes(turn):
    """The high edge stays on its side of every strand; nothing is led over to what lies the other way round."""
    lopsided = ((-0.5, 0.0), (-0.5, 0.3), (-0.2, 1.0), (0.1, 0.8), (0.5, 0.4), (0.5, 0.0))
    filled = one_repeat(replace(PLAIN, strand=replace(PLAIN.strand, section=lopsided)))
    pattern = pattern_of(filled, best_phase(filled))
    plan = parts.corner(pattern, turn)
    taken, seams = swept(plan), {"run": seam_rings(cut_straight(pattern))}
    found, moved = cut_piece(plan, taken.strands, taken.partings, pattern.reach, 16.0, seams)
    assert moved < 0.02 * 16.0
    for run in found.runs:  # the ridge lies left of the middle, seen along one way or the other, all along the run
        ridge = run.points[np.arange(len(run.points)), run.points[..., 2].argmax(1)]
        middle = (
            run.points[:, 1 : run.points.shape[1] // 2].mean(1) + run.points[:, run.points.shape[1] // 2 + 1 :].mean(1)
        ) / 2
        ahead = np.gradient(middle[:, :2], axis=0)
        off = ridge[:, :2] - middle[:, :2]
        side = np.sign(ahead[:, 0] * off[:, 1] - ahead[:, 1] * off[:, 0])
        assert abs(side.mean()) > 0.95


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (replace(PLAIN, layout=Grid(3, 2, 40.0, 40.0)), "a layout of kind strip"),
        (replace(PLAIN, layout=replace(PLAIN.layout, surface=Cylinder())), "without a surface"),
        (replace(PLAIN, make=Make(trim=replace(TRIM, triangles=12))), "give at least"),
        (replace(PLAIN, make=Make(trim=replace(TRIM, lengths=(180.0,), pieces=(Part.STRAIGHT,)))), "120 or 240 mm"),
    ],
    ids=["no strip", "bent strip", "budget", "length"],
)
def test_what_gives_no_kit_is_refused_with_what_would(design, words):
    with pytest.raises(DesignError, match=words):
        make_kit(design)
