"""Steps of finishing that would tear or cross something are taken more gently, or left out; nothing else changes."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
import trimesh

from knotgeom.errors import DesignError
from knotgeom.printing import bodies, fillet, finishing, tubes
from knotgeom.printing.options import Printing
from knotgeom.printing.untangle import ROUNDS, led_apart
from tests.core.exact import crossing_pairs

STRANDS = SimpleNamespace(free=False, width=2.0, thickness=2.0)
"""What finishing has to know of the strands that a body is made of."""
BARS = manifold3d.Manifold.cube((6, 2, 2), True) + manifold3d.Manifold.cube((2, 2, 6), True)
"""Two bars that cross: four straight creases."""


def finish(solid: manifold3d.Manifold, radius: float) -> finishing.Finished:
    return finishing.finish(solid, Printing(fillet=radius), STRANDS, 1.0)


def crossed(done: fillet.Faired) -> fillet.Faired:
    """The same body with one corner drawn out through the face on its other side."""
    vertices = done.vertices.copy()
    corner = int(vertices.sum(1).argmax())
    vertices[corner] = -1.5 * vertices[corner]
    return fillet.Faired(vertices, done.triangles, done.became, False)


@pytest.mark.parametrize(("most", "made"), [(1.0, 0.4), (0.3, 0.2), (0.15, 0.1), (0.05, None)])
def test_a_fillet_that_passes_through_something_is_made_with_half_the_radius_or_left_out(monkeypatch, most, made):
    def badly(vertices, triangles, radius):
        done = fillet.filled(vertices, triangles, radius)
        return crossed(done) if radius > most else done

    monkeypatch.setattr(finishing, "filled", badly)
    done = finish(BARS, 0.4)
    assert crossing_pairs(done.vertices, done.triangles) == 0
    if made is None:
        assert done.creases.usual is None and done.creases.left == pytest.approx(8.0)
        assert trimesh.Trimesh(done.vertices, done.triangles).volume == pytest.approx(BARS.volume(), rel=1e-4)
    else:
        assert done.creases.usual == pytest.approx(made, rel=0.02)


@pytest.mark.parametrize("radius", [0.0, 0.25])
def test_tidying_that_makes_triangles_cross_is_done_less(monkeypatch, radius):
    usual = finishing.clean
    tried = []

    def coarsely(vertices, triangles, label, short, low):
        tried.append(short)
        vertices, triangles, label = usual(vertices, triangles, label, short, low)
        if short > 0.5 * finishing.SHORT:  # one corner drawn out through the face on its other side
            vertices[int(vertices.sum(1).argmax())] *= -1.5
        return vertices, triangles, label

    monkeypatch.setattr(finishing, "clean", coarsely)
    done = finish(BARS, radius)
    assert crossing_pairs(done.vertices, done.triangles) == 0 and tried[0] == finishing.SHORT > tried[1]
    assert trimesh.Trimesh(*done.bare).volume == pytest.approx(BARS.volume(), rel=1e-4)


def test_a_fillet_that_would_close_a_hole_leaves_the_creases_as_they_are(monkeypatch):
    def shut(vertices, triangles, radius):
        # with any fillet, a ball: a body with no hole where the ring has one
        done = fillet.filled(vertices, triangles, radius)
        ball = bodies.arrays_of(manifold3d.Manifold.sphere(3.0, 32))
        return done if radius == 0 else fillet.Faired(*ball, done.became, True)

    monkeypatch.setattr(finishing, "filled", shut)
    ring = manifold3d.Manifold.cylinder(2, 4, 4, 32) - manifold3d.Manifold.cylinder(9, 2, 2, 32, True)
    done = finish(ring, 0.25)
    assert trimesh.Trimesh(done.vertices, done.triangles).euler_number == 0
    assert done.creases.usual is None


def test_a_body_that_is_sound_in_no_way_is_refused(monkeypatch):
    monkeypatch.setattr(finishing, "is_sound", lambda *_: False)
    with pytest.raises(DesignError, match="no sound solid in single precision"):
        finish(BARS, 0.0)


def test_corners_that_meet_at_one_place_are_drawn_apart():
    # two wedges that touch in their tips alone: one body to look at, two for a mesh in single precision
    tip = trimesh.convex.convex_hull([(0, 0, 0), (2, 1, 1), (2, -1, 1), (2, 1, -1), (2, -1, -1)])
    other = tip.copy()
    other.apply_transform(np.diag([-1.0, -1.0, 1.0, 1.0]))
    both = trimesh.util.concatenate([tip, other])
    done = fillet.filled(np.asarray(both.vertices, float), np.asarray(both.faces, np.int64), 0.0)
    ways = list(finishing._ways(done, 1e-6))
    assert [finishing.is_sound(place.astype(np.float32).astype(float), faces, 0.0) for place, faces in ways] == [
        False, False, True,
    ]  # fmt: skip
    assert trimesh.Trimesh(*ways[2], process=False).volume == pytest.approx(both.volume, rel=0.01)


def test_what_cannot_be_led_apart_is_said_to_cross_still():
    # two cubes through one another, which no smoothing of a few corners parts
    one = trimesh.creation.box((2.0, 2.0, 2.0))
    both = trimesh.util.concatenate([one, one.copy().apply_translation((1.0, 0.7, 0.4))])
    place, faces = np.asarray(both.vertices, float), np.asarray(both.faces, np.int64)
    turns = []

    def kept(_moved, turn):
        turns.append(turn)
        return place

    found, clear = led_apart(place, faces, kept)
    assert not clear and np.array_equal(found, both.vertices)
    assert max(turns) == ROUNDS - 1


# --------------------------------------------------------------------------------------------------------------- tubes


def test_a_groove_too_sharp_for_any_ball_stays_as_it_is():
    # between sides at 4 degrees even a fifth of the ball touches 5.7 of its radii away from the bottom: too far
    wide = 2 * np.tan(np.radians(2.0))
    groove = manifold3d.CrossSection([[(-2, -1), (2, -1), (2, 2), (wide, 2), (0, 0), (-wide, 2), (-2, 2)]]).extrude(5.0)
    vertices, triangles = bodies.arrays_of(groove)
    done = fillet.filled(vertices, triangles, 0.4)
    assert trimesh.Trimesh(done.vertices, done.triangles).volume == pytest.approx(groove.volume(), rel=1e-6)
    assert done.became.usual == 0 and done.became.left == pytest.approx(5.0) == done.became.length


def loop_through_itself() -> np.ndarray:
    """Sections of a tube, (n, 6, 3), that runs once through its own beginning."""
    turn = np.linspace(0.0, 2.4 * np.pi, 60)
    middle = np.stack([3 * np.cos(turn), 3 * np.sin(turn), 0.05 * turn], 1)
    out = np.stack([np.cos(turn), np.sin(turn), np.zeros(60)], 1)
    angle = -np.linspace(0.0, 2 * np.pi, 7)[:-1]
    return (
        middle[:, None]
        + 0.3 * np.cos(angle)[None, :, None] * out[:, None]
        + 0.3 * np.sin(angle)[None, :, None] * np.array([0.0, 0.0, 1.0])
    )


def test_a_tube_that_passes_through_itself_is_cut_and_none_is_left_where_there_is_no_round_to_cut_it(monkeypatch):
    row = loop_through_itself()
    area = 6 / 2 * 0.3**2 * np.sin(np.pi / 3)
    found = tubes._sound([row, row[:1]], [False, False])  # a single section is no tube
    assert len(found) > 1 and all(crossing_pairs(*tube) == 0 for tube in found)
    # Pappus: a little less than the whole way round, since what crosses is left out
    assert 0.75 < sum(tubes._volume(tube) for tube in found) / (area * 3 * 2.4 * np.pi) <= 1.0
    monkeypatch.setattr(tubes, "ROUNDS", 1)
    assert tubes._sound([row], [False]) == []
