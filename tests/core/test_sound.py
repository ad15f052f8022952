"""Every design on every layout is sound, or says what is wrong and what would do; and doing it does.

What is asked of all of them: the mesh is closed, consistently turned, of positive volume and without collapsed faces;
no two of its triangles cross; it has a body for each closed strand where strands are free, and one for each connected
part where they are united; rays from above meet over and under as the map has them; free strands nowhere lie within
each other; a carved design has no undercut; and the file that is written reads back as the same solid.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, currently_in_test_context, event, given, settings

from knotgeom import files
from knotgeom.cycles import connected_labels
from knotgeom.design import (
    Border,
    Breaks,
    CircuitStyle,
    Corners,
    Cylinder,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Hand,
    Heights,
    Joins,
    Making,
    Panel,
    Pass,
    Piece,
    Rejoin,
    Rim,
    Ring,
    Section,
    Site,
    Sphere,
    Strand,
    Strip,
    Turn,
    Turned,
    Turns,
    Way,
    Weave,
)
from knotgeom.errors import DesignError
from knotgeom.findings import Change, Finding
from knotgeom.made import TOLD, Made, NoSolidError, judge, make, no_mesh, solid
from knotgeom.mesh import Mesh, all_triangles, volume
from knotgeom.reading import read_text, write_text
from knotgeom.remedies import applied
from tests.core.curves import bodies, probe, surface_frames
from tests.core.exact import pairs_of
from tests.core.measures import unsound
from tests.core.strategies import whole_designs
from tests.core.test_solid import assert_sound, parts_of_free, parts_of_map

IN_CI = 200
"""Designs in the daily round: some 135 seconds of the processor; `make test-long` has 2,000."""
SKEW = 0.85
"""Sine of the angle between strands below which halves, which cross beside the middle, do so where strands have bent
already: at 0.8, on a mitred square about one cell, 0.64 mm from where straight ones would."""
BENT = np.cos(np.radians(10))
"""How straight, as a cosine, halves must run where straight ones cross beside the middle of a crossing, if their tops
lie nearer to each other than half a step there: on a grid one cell wide they have turned by 13 degrees, and half-round
ones sunk as deep as a small step."""
MOST_GIB = 8
"""Address space of the process that makes designs, which holds all that is imported as well."""


def refusal(error: DesignError) -> str:
    """What a refusal says, which is one line with a reason and a remedy."""
    assert error.problem and error.remedy and str(error).isprintable() and "\n" not in str(error)
    return error.place.split("[")[0]


def read_back(design: Design) -> Design:
    """The design from its own file; a panel's pieces are not in it."""
    if isinstance(design.layout, Panel):
        return design
    again = read_text(write_text(design))
    assert again == design
    return again


# ------------------------------------------------------------------------------------------------- remedies that work


def make_sizes(design: Design):
    from knotgeom.resolve import resolved
    from knotgeom.sizing import sizes

    return sizes(resolved(design))


def with_a_break_less(design: Design) -> Iterator[Design]:
    """The design without one of its breaks, one after another."""
    for name in ("horizontal", "vertical", "along", "across"):
        sites = getattr(design.breaks, name)
        for k in range(len(sites)):
            yield replace(design, breaks=replace(design.breaks, **{name: sites[:k] + sites[k + 1 :]}))


def followed(design: Design, change: Change) -> Iterator[Design]:
    """The design with a remedy taken: several where it leaves open which break, none where by how much."""
    if change.value is not None:
        yield applied(design, change)
    elif change.key == "divide":
        yield replace(design, divide=Divide())
    elif change.key == "breaks":
        yield from with_a_break_less(design)


def helps(design: Design, finding: Finding, change: Change) -> bool:
    """Whether no finding of the kind is left when the remedy is taken."""
    return any(all(left.kind != finding.kind for left in judge(other)) for other in followed(design, change))


def assert_remedies_work(design: Design, findings: tuple[Finding, ...]) -> None:
    tried = set()
    for finding in findings:
        assert finding.place and finding.measured and finding.changes
        for change in finding.changes:
            if change.key == "layout":  # says itself that nothing that was tried does alone
                assert len(finding.changes) == 1
                if currently_in_test_context():
                    event("no single remedy")
            elif change.key != "breaks" and (finding.kind, change) not in tried:  # which break is for the eye to choose
                tried.add((finding.kind, change))
                assert helps(design, finding, change), (finding.kind, finding.place, change)


# ------------------------------------------------------------------------------------------------------------- sound


def crossing_points(made: Made) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where the strands of each woven crossing cross, on the layout's surface, and the normals there, both (n, 3).

    The third array tells which do so beside the middle, since one is a half.
    Worked out from the layout's sites and the strands' widths, not taken from the drawn curves. Halves that cross at a
    shallow angle or on a crossed boundary do so where strands have bent already: NaN.
    """
    counted = made.counted
    layout, strands, widths, gap = counted.layout, counted.strand_map, counted.widths, counted.size.gap
    of_circuit = np.repeat(np.arange(counted.circuits.count), np.diff(counted.circuits.visit_start))
    owner = {
        (edge, which): (int(circuit), bool(divided))
        for edge, which, circuit, divided in zip(
            counted.circuits.visit_edge.tolist(), counted.circuits.visit_pass.tolist(), of_circuit, strands.divided
        )
    }
    points, ups, beside = [], [], []
    for crossing, edge in enumerate(strands.crossing_edge.tolist()):
        ahead = layout.heading[edge]
        left = np.cross(layout.up[edge], ahead)
        aside = []
        for which, side in enumerate(strands.crossing_sides[crossing].tolist()):
            circuit, divided = owner[edge, which]
            aside.append((1 - 2 * side) * (widths[circuit] + gap) / 4 if divided else 0.0)
        offset = aside[0] * ahead[1] / (ahead[1] @ left[0]) + aside[1] * ahead[0] / (ahead[0] @ left[1])
        sine = float(np.linalg.norm(np.cross(ahead[0], ahead[1])))
        place, up = surface_frames(counted, edge, offset[None])
        if any(aside) and (sine < SKEW or layout.boundary[edge]):
            place = np.full((1, 3), np.nan)
        points.append(place[0])
        ups.append(up[0])
        beside.append(any(aside))
    return np.array(points).reshape(-1, 3), np.array(ups).reshape(-1, 3), np.array(beside, bool)


def runs_along(mesh: Mesh, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which way strands run at triangles, numbered as in `all_triangles`: (n, 3), and which have a direction, (n,).

    That of a quadrangle's two long sides. Of a triangle, as a flat strip has them that was cut, that in which its
    texture runs along the strand and not round it.
    """
    along, has = np.zeros((len(triangles), 3)), np.ones(len(triangles), bool)
    for row, triangle in enumerate(triangles.tolist()):
        if triangle < 2 * len(mesh.quads):
            corner = mesh.vertices[mesh.quads[triangle // 2]]
            along[row] = corner[3] + corner[2] - corner[1] - corner[0]
            continue
        number = triangle - 2 * len(mesh.quads)
        corner, texture = mesh.vertices[mesh.triangles[number]], mesh.triangle_uv[number].astype(float)
        sides, laid = corner[1:] - corner[0], texture[1:] - texture[0]
        area = float(np.linalg.det(laid))
        has[row] = abs(area) > 1e-9 * float((laid**2).sum())
        if has[row]:
            along[row] = (laid[1, 1] * sides[0] - laid[0, 1] * sides[1]) / area
    return along, has


def assert_weave_is_seen(made: Made) -> None:
    """At every crossing the face that a ray from above meets first runs along the strand that the map has over.

    Where the ray meets the top of the other strand too, both are held against both directions: strands that cross at a
    few degrees may turn by as much from the crossing to the middle of a face, but there both turn alike.
    """
    counted, mesh = made.counted, made.mesh
    layout, reach = counted.layout, 6 * counted.size.thickness + 6 * counted.size.separation
    points, ups, beside = crossing_points(made)
    flat = bool(layout.period) and counted.design.layout.surface is None
    if flat:  # it comes out moved by up to 0.02 of a width, and crossings that lie on the cut lie at its end
        points = points - [0.01 * counted.size.width, 0.0, 0.0]
        points[:, 0] %= layout.period
    seen = 0
    for crossing, (point, up) in enumerate(zip(points, ups, strict=True)):
        if np.isnan(point).any():
            continue
        ((places, ways, faces),) = probe(mesh, point[None], up[None], reach, faces=True)
        assert len(ways) and ways[0] > 0, "nothing, or an inside, is seen at a crossing"
        along, has = runs_along(mesh, faces[ways > 0][:2])
        if not has[0]:
            continue  # at a fork a face may have no direction
        along = along[has]
        if layout.period and not flat:  # rolled up round a cylinder: compare along its axis and round it
            round_it = np.cross([0.0, 1.0, 0.0], up)
            along = np.stack([along @ round_it, along[:, 1], 0 * along[:, 2]], 1)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        ahead = layout.heading[counted.strand_map.crossing_edge[crossing]]
        like = np.abs(along @ ahead.T)  # how much the upper face, and the lower, run along pass 0 and along pass 1
        tops = places[ways > 0][:2]
        if beside[crossing] and like.max(1).min() < BENT and np.ptp(tops) < counted.size.separation / 2:
            continue
        apart = like[:, 1] - like[:, 0]
        one_over = bool(apart[0] > (apart[1] if len(apart) > 1 else 0.0))
        assert one_over == counted.weaving.pass_one_over[crossing], "another strand is seen over than in the map"
        seen += 1
    assert 2 * seen >= np.isfinite(points).all(1).sum()


def parts_taken_round(mesh: Mesh, length: float) -> int:
    """Bodies of a flat strip that was cut, those that meet where its ends are laid together being one."""
    low, high = (np.flatnonzero(mesh.vertices[:, 0] == x) for x in (0.0, length))
    low, high = (at[np.lexsort(mesh.vertices[at, 1:].T)] for at in (low, high))
    assert len(low) and np.array_equal(mesh.vertices[low, 1:], mesh.vertices[high, 1:]), "its ends differ"
    triangles = all_triangles(mesh)
    one, other = np.concatenate([triangles.ravel(), low]), np.concatenate([np.roll(triangles, -1, 1).ravel(), high])
    return len(np.unique(connected_labels(len(mesh.vertices), one, other)[triangles]))


def undercut(mesh: Mesh) -> float:
    """The breadth of the broadest place of a carved design on the plane that is hidden from above, mm.

    What is hidden lies under faces that look down, apart from the ground: the shadows of those that hang together, as
    an area over its greatest length. A needle of a rounding's breadth has no direction to go by, but no shadow either.
    """
    faces = all_triangles(mesh)
    corner = mesh.vertices[faces]
    shadow = -np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2] / 2
    on_ground = (corner[:, :, 2] < mesh.vertices[:, 2].min() + 1e-6).all(1)
    down = np.flatnonzero((shadow > 0) & ~on_ground)
    broadest = 0.0
    label = connected_labels(len(mesh.vertices), faces[down].ravel(), np.roll(faces[down], -1, 1).ravel())
    for name in np.unique(label[faces[down, 0]]):
        mine = down[label[faces[down, 0]] == name]
        broadest = max(broadest, float(shadow[mine].sum() / np.ptp(corner[mine][:, :, :2], axis=(0, 1)).max()))
    return broadest


def assert_sound_and_read_back(made: Made, folder) -> None:
    design, layout, mesh = made.counted.design, made.counted.layout, made.mesh
    assert mesh is not None and volume(mesh) > 0
    free = design.heights.way is Making.FREE
    body = solid(made)
    if free:
        assert unsound(body) == [], unsound(body)
    else:
        assert_sound(body)
    path = folder / "knot.stl"
    files.write_mesh(path, body)
    back = trimesh.load_mesh(path)
    assert len(back.faces) == len(all_triangles(body)) and back.is_watertight
    assert back.volume == pytest.approx(volume(body), rel=1e-3)
    if TOLD & {finding.kind for finding in made.findings}:
        return
    assert_weave_is_seen(made)
    found = bodies(body)
    flat = bool(layout.period) and design.layout.surface is None
    parts = parts_taken_round(body, layout.period) if flat else len(found)
    if all(finding.kind != "hollow" for finding in made.findings):  # what touches nowhere is told
        assert parts == (parts_of_free(made) if free else parts_of_map(made))
    if free:
        for k, one in enumerate(found):
            for other in found[:k]:
                assert (one ^ other).volume() == 0.0, "strands lie within each other"
    elif design.heights.way is Making.CARVED and layout.surface is None and (flat or not layout.period):
        assert undercut(body) < 2e-3, "a relief is undercut"  # walls lean by what rounding and cleaning move them
    assert pairs_of(body) == 0, "triangles cross"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("sound")


@pytest.fixture(scope="module", autouse=True)
def memory_that_is_bounded():
    """Let a design that takes more than `MOST_GIB` fail by itself, not bring down the machine."""
    resource = pytest.importorskip("resource")  # not on Windows
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_GIB * 2**30, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, before)


def check_design(design: Design, folder) -> str:
    """Hold a design against all that is asked; what became of it in a few words."""
    try:
        made = make(design)
    except DesignError as error:
        return f"refused: {refusal(error)}"
    read_back(design)
    assert_remedies_work(design, made.findings)
    if made.mesh is None:
        refusal(no_mesh(made))
        return f"not made: {made.findings[0].kind}"
    try:
        assert_sound_and_read_back(made, folder)
    except NoSolidError as error:
        refusal(error)
        if error.mended is None and [change.key for f in made.findings[:1] for change in f.changes] == ["layout"]:
            return "unites to no solid, and says that no single remedy does"
        others = mended(design, made.findings) if error.mended is None else [error.mended]
        assert any(unites(other) for other in others), "the remedy of a refusal does not work"
        return "unites to no solid, but with the remedy"
    return f"made: {type(design.layout).__name__}, {design.heights.way.value}"


def mended(design: Design, findings: tuple[Finding, ...]) -> Iterator[Design]:
    """What a refusal to unite offers that found no remedy itself: those of the first finding, else a little change."""
    for change in findings[0].changes if findings else ():
        yield from followed(design, change)
    size = make_sizes(design)
    for times in (0.97, 1.03):
        yield replace(design, strand=replace(design.strand, thickness=size.thickness * times))
        yield replace(design, divide=replace(design.divide, gap=size.gap * times))


def unites(design: Design) -> bool:
    """Whether a design gives a solid."""
    try:
        solid(make(design, prove=0))
    except DesignError:
        return False
    return True


@settings(max_examples=IN_CI, suppress_health_check=list(HealthCheck))
@given(whole_designs())
def test_every_design_is_sound_or_refused_with_a_remedy_that_works(folder, design):
    event(check_design(design, folder))


@pytest.mark.long
@pytest.mark.parametrize("part", range(8))  # so that all cores have some
@settings(max_examples=250, derandomize=False, print_blob=True, suppress_health_check=list(HealthCheck))
@given(whole_designs())
def test_two_thousand_designs_are_sound_or_refused_with_remedies_that_work(folder, part, design):
    event(check_design(design, folder))


ONCE_BROKEN = {
    "an underside of which cleaning lifts a vertex": Design(
        Ring(2, 2, 12.0, 32.0),
        divide=Divide((Pass(0, 1, Way.RISING), Pass(3, 2, Way.FALLING)), gap=0.1429693760713332),
        weave=Weave(Hand.LEFT),
        strand=Strand(thickness=0.17156325128559982, section=Section.FLAT, turns=Turns(Turn.ROUND)),
        heights=Heights(Making.CARVED, 0.042890812821399955, 0.06862530051423993),
    ),
    "breaks too near each other for strands of an own section to unite": Design(
        Strip(2, 2, 10.0, 10.0, 5, surface=Turned(((16.0, 0.0), (20.0, 12.0), (16.0, 26.0)))),
        Breaks(vertical=(Site(1, 2), Site(2, 1), Site(2, 3))),
        strand=Strand(
            2.191551720363617,
            0.5478879300909042,
            ((-1.0, 0.0), (1.0, 0.0), (1.0, 0.4), (0.0, 1.0), (-1.0, 0.4)),
            turns=Turns(Turn.POINTED, Turn.POINTED, Turn.POINTED),
        ),
        heights=Heights(Making.CARVED, 0.0657465516109085),
    ),
    "a strand that comes and leaves along a wall": Design(
        Border((2, 4), 1, 10.0, True, Corners.MITRED),
        Breaks((Site(0, 1), Site(8, 1), Site(10, 1)), tuple(Site(x, 1) for x in (2, 4, 6, 12, 14))),
        heights=Heights(Making.FUSED),
    ),
    "a width of one circuit's own on a turned form": Design(
        Strip(2, 2, 10.0, 10.0, 5, surface=Turned(((16.0, 0.0), (20.0, 12.0), (16.0, 26.0)))),
        strand=Strand(circuits=(CircuitStyle(Pass(0, 1, Way.FALLING), 5.0),)),
        heights=Heights(Making.FUSED),
    ),
    "cuts in the tips of pointed turns": Design(
        Strip(2, 2, 10.0, 10.0, 4, upper_edge=Rim.CROSSED, surface=Sphere(32.0)),
        weave=Weave(Hand.LEFT),
        strand=Strand(
            thickness=2.2035866661216637,
            section=Section.PEAKED,
            turns=Turns(Turn.POINTED, Turn.POINTED, Turn.POINTED),
        ),
        heights=Heights(Making.CARVED, 0.44071733322433276),
    ),
    "a panel that breaks a crossing of its pieces": Design(
        Panel(
            (
                Piece("a", design=Design(Grid(1, 1, 10.0, 10.0))),
                Piece("b", (10.0, 0.0), design=Design(Grid(2, 1, 10.0, 10.0))),
            ),
            Joins.ALL,
        ),
        Breaks((Site(4, 1),)),
    ),
    "two parts of a weave that lie upon one another": Design(
        Ring(3, 2, 0.0, 15.0, outer_edge=Rim.CROSSED),
        Breaks((Site(1, 2), Site(3, 2), Site(4, 3), Site(5, 2)), (Site(0, 1),)),
        heights=Heights(clearance=0.014),
    ),
    "walls that run side by side": Design(
        Ring(2, 2, 25.0, 45.0, outer_edge=Rim.CROSSED),
        Breaks((Site(0, 1), Site(1, 2), Site(2, 3), Site(3, 2)), (Site(2, 1),)),
        heights=Heights(Making.CARVED),
    ),
    "a strand that climbs past pointed turns": Design(
        Grid(4, 2, 24.0, 24.0),
        strand=Strand(5.94, 1.485, ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0)), turns=Turns(*[Turn.POINTED] * 3)),
        heights=Heights(clearance=0.594),
    ),
    "halves of a circuit much narrower than the others": Design(
        Strip(2, 1, 10.0, 12.0, 4, Rim.WALLED, Rim.CROSSED),
        divide=Divide(
            (Pass(0, 1, Way.RISING), Pass(0, 1, Way.FALLING)), (Pass(0, 1, Way.RISING),), False, Rejoin.STEPS
        ),
        strand=Strand(circuits=(CircuitStyle(Pass(0, 1, Way.RISING), 1.344),)),
        heights=Heights(clearance=0.192),
    ),
    "walls side by side at a pointed corner": Design(
        Ring(2, 2, 60.0, 80.0, Rim.CROSSED, Rim.CROSSED),
        Breaks((Site(1, 2), Site(2, 1), Site(2, 3)), (Site(0, 1), Site(0, 3), Site(3, 2))),
        strand=Strand(turns=Turns(*[Turn.POINTED] * 3)),
    ),
    "strands beside a sliver of a face that cross once more than in the map": Design(
        FreeMesh(
            (
                (84.6, 31.3, 0.0),
                (35.5, 25.7, 0.0),
                (79.1, 91.3, 0.0),
                (48.9, 68.9, 0.0),
                (15.2, 46.6, 0.0),
                (97.1, 19.0, 0.0),
            ),
            ((3, 2, 4), (1, 3, 4), (3, 0, 2), (1, 0, 3), (5, 2, 0, 1)),
        ),
        heights=Heights(clearance=0.0024),
    ),
    "walls that part where the surface twists": Design(
        Strip(2, 2, 10.0, 10.0, 5, surface=Turned(((16.0, 0.0), (20.0, 12.0), (16.0, 26.0)))),
        Breaks((Site(0, 1),), (Site(2, 1),)),
        Divide(passes=(Pass(2, 3, Way.RISING),), rejoin=Rejoin.BENDS),
        strand=Strand(
            3.068,
            0.368,
            ((-1.0, 0.0), (1.0, 0.0), (1.0, 0.4), (0.0, 1.0), (-1.0, 0.4)),
            turns=Turns(borders=Turn.POINTED),
        ),
        heights=Heights(clearance=0.092),
    ),
    "halves that climb at once on a cylinder": Design(
        Strip(3, 1, 10.0, 12.0, 2, Rim.CROSSED, Rim.CROSSED, Cylinder()),
        divide=Divide(passes=tuple(Pass(x, 1, way) for x in (0, 2, 4) for way in Way)),
        weave=Weave(Hand.LEFT),
        heights=Heights(clearance=0.192),
    ),
    "two turns round a wheel, the tip of one under the other": Design(
        Ring(3, 1, 0.0, 15.0),
        Breaks((Site(0, 1), Site(2, 1))),
        weave=Weave(Hand.LEFT),
        strand=Strand(thickness=0.315, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(clearance=0.2625),
    ),
    "strands that lie upon one another for long where they cross at a shallow angle": Design(
        Border((1, 3), 2, 10.0, True, Corners.MITRED),
        strand=Strand(1.778, section=Section.HALF_ROUND),
        heights=Heights(clearance=0.1778),
    ),
    "the tip of a turn that touches the strand round it": Design(
        Strip(2, 2, 10.0, 8.0, 4, Rim.CROSSED, Rim.CROSSED, Cylinder()),
        Breaks((Site(0, 3),)),
        weave=Weave(Hand.LEFT),
        strand=Strand(3.1235, 0.781, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(clearance=0.0937),
    ),
    "loops round a ring that cross, without a crossing of the layout": Design(
        Ring(2, 2, 60.0, 80.0),
        Breaks((Site(1, 2), Site(2, 1), Site(2, 3), Site(3, 2)), (Site(0, 1), Site(0, 3))),
        heights=Heights(Making.FUSED),
    ),
    "pointed turns along two walls in one line": Design(
        Ring(2, 1, 12.0, 22.0, outer_edge=Rim.CROSSED),
        Breaks(vertical=(Site(0, 1),)),
        weave=Weave(prefer=(Pass(2, 1, Way.RISING), Pass(2, 1, Way.FALLING))),
        strand=Strand(section=Section.HALF_ROUND, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(clearance=0.143),
    ),
    "strands that cross at four degrees": Design(
        Ring(2, 1, 60.0, 70.0, Rim.CROSSED, Rim.CROSSED),
        Breaks(vertical=(Site(0, 1), Site(2, 1))),
        weave=Weave(Hand.LEFT),
        heights=Heights(Making.FUSED, step=0.11395105725915469),
    ),
    "a carved flat strip whose triangles crossed where it was cut": Design(
        Strip(2, 2, 10.0, 8.0, 4),
        Breaks((Site(2, 3),), (Site(0, 3), Site(3, 2))),
        Divide((Pass(2, 1, Way.RISING), Pass(2, 1, Way.FALLING)), (Pass(1, 2, Way.RISING),), False, Rejoin.BENDS),
        Weave(Hand.LEFT, (Pass(2, 1, Way.RISING), Pass(2, 1, Way.FALLING))),
        Strand(1.56, 0.78, ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0)), turns=Turns(breaks=Turn.POINTED)),
        Heights(Making.CARVED, 0.0468, 0.312, depth_limit=1.952),
    ),
    "needles beside the corners of the pyramid that a strip is laid round": Design(
        Strip(2, 2, 10.0, 12.0, 2, Rim.CROSSED),
        divide=Divide(
            passes=(
                Pass(0, 1, Way.RISING),
                Pass(0, 3, Way.FALLING),
                Pass(2, 1, Way.RISING),
                Pass(1, 2, Way.RISING),
                Pass(1, 2, Way.FALLING),
                Pass(2, 1, Way.FALLING),
            ),
            gap=0.768221279597376,
        ),
        weave=Weave(prefer=(Pass(0, 3, Way.RISING), Pass(0, 3, Way.FALLING), Pass(2, 3, Way.RISING))),
        strand=Strand(turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(Making.CARVED, 0.192055319899344, slope_limit_deg=30.0),
    ),
    "pointed turns on a ball that fold, whatever the width": Design(
        Strip(2, 2, 10.0, 10.0, 4, upper_edge=Rim.CROSSED, surface=Sphere(60.0)),
        Breaks((Site(2, 1),), (Site(0, 1),)),
        strand=Strand(3.1264, 0.7816, Section.PEAKED, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(Making.CARVED, 0.09379267835778043, slope_limit_deg=30.0, depth_limit=1.954014132453759),
    ),
    "united strands that climb past pointed turns": Design(
        Border((2, 2), 1, 10.0),
        divide=Divide(
            passes=(Pass(4, 7, Way.RISING), Pass(7, 4, Way.FALLING)), rejoin=Rejoin.STEPS, gap=1.414213562373095
        ),
        weave=Weave(Hand.LEFT, (Pass(2, 7, Way.FALLING), Pass(7, 6, Way.RISING), Pass(1, 4, Way.RISING))),
        strand=Strand(3.5355339059327373, 0.8838834764831843, ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0))),
        heights=Heights(Making.FUSED, 0.35355339059327373, depth_limit=2.2097086912079607),
    ),
    "fused strands that touch nowhere where they cross": Design(
        Strip(3, 1, 10.0, 12.0, 4, Rim.CROSSED, Rim.CROSSED),
        strand=Strand(
            4.993,
            section=Section.HALF_ROUND,
            turns=Turns(Turn.POINTED, Turn.POINTED),
            circuits=(CircuitStyle(Pass(0, 1, Way.RISING), 5.992),),
        ),
        heights=Heights(Making.FUSED, 0.499),
    ),
    "a depth with nothing to spare": Design(
        Ring(4, 1, 60.0, 70.0, outer_edge=Rim.CROSSED),
        Breaks((Site(0, 1),)),
        strand=Strand(thickness=0.26, circuits=(CircuitStyle(Pass(4, 1, Way.FALLING), 2.593),)),
        heights=Heights(clearance=0.065, depth_limit=0.649),
    ),
}


@pytest.mark.parametrize("name", ONCE_BROKEN)
def test_what_was_once_unsound_is_so_no_more(folder, name):
    check_design(ONCE_BROKEN[name], folder)


def test_united_strands_on_a_flat_strip_meet_themselves_nowhere():
    strip = Strip(2, 1, 10.0, 12.0, 3, Rim.CROSSED, Rim.CROSSED)
    divide = Divide(circuits=(Pass(0, 1, Way.RISING),), gap=1.25)
    strand = Strand(section=Section.HALF_ROUND, turns=Turns(Turn.POINTED, Turn.ROUND, Turn.POINTED))
    assert pairs_of(solid(make(Design(strip, divide=divide, strand=strand, heights=Heights(Making.FUSED))))) == 0


@pytest.mark.parametrize("section", Section)
def test_a_carved_strand_that_parts_is_nowhere_undercut(section):
    divide, strand = Divide(passes=(Pass(3, 2, Way.RISING),)), Strand(1.77, 0.9, section)
    body = solid(make(Design(Grid(3, 2, 10.0, 10.0), divide=divide, strand=strand, heights=Heights(Making.CARVED))))
    assert undercut(body) < 2e-3 and pairs_of(body) == 0
