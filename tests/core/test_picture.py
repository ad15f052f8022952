"""The height buffer against rays and against shapes known in closed form; the picture against what an eye would say."""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.spatial import Delaunay

from knotgeom import light
from knotgeom import picture as made
from knotgeom.errors import DesignError
from knotgeom.mesh import Mesh, all_triangles
from knotgeom.picture import picture, write_png
from knotgeom.raster import Window, height_buffer, window_of

# ---------------------------------------------------------------------------------------------- meshes to look at


def mesh_of(vertices, quads=(), triangles=(), strand=0):
    quads = np.asarray(quads, np.int32).reshape(-1, 4)
    triangles = np.asarray(triangles, np.int32).reshape(-1, 3)
    return Mesh(
        np.asarray(vertices, np.float64),
        quads,
        triangles,
        np.zeros((len(quads), 4, 2), np.float32),
        np.zeros((len(triangles), 3, 2), np.float32),
        np.full(len(quads), strand, np.int32),
        np.full(len(triangles), strand, np.int32),
    )


def together(*meshes):
    start = np.cumsum([0] + [len(m.vertices) for m in meshes])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.quads + s for m, s in zip(meshes, start, strict=False)]).astype(np.int32),
        np.concatenate([m.triangles + s for m, s in zip(meshes, start, strict=False)]).astype(np.int32),
        *(np.concatenate([getattr(m, name) for m in meshes]) for name in Mesh.__dataclass_fields__ if "_" in name),
    )


def swept(line, section, strand=0):
    """A closed centre line (n, 3) with a closed section (m, 2: across, up) swept along it, upright."""
    n, m = len(line), len(section)
    ahead = np.roll(line, -1, 0) - np.roll(line, 1, 0)
    side = np.stack([ahead[:, 1], -ahead[:, 0], np.zeros(n)], 1)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(side, ahead / np.linalg.norm(ahead, axis=1, keepdims=True))
    vertices = line[:, None] + section[None, :, :1] * side[:, None] + section[None, :, 1:] * up[:, None]
    i, j = np.meshgrid(np.arange(n), np.arange(m), indexing="ij")
    i_next, j_next = (i + 1) % n, (j + 1) % m
    quads = np.stack([i_next * m + j, i_next * m + j_next, i * m + j_next, i * m + j], -1)
    return mesh_of(vertices.reshape(-1, 3), quads.reshape(-1, 4), strand=strand)


def circle(radius, count):
    turn = 2 * np.pi * np.arange(count) / count
    return np.stack([radius * np.cos(turn), radius * np.sin(turn)], 1)


def trefoil(count=240, size=5.0, rise=1.5):
    turn = 2 * np.pi * np.arange(count) / count
    x, y = np.sin(turn) + 2 * np.sin(2 * turn), np.cos(turn) - 2 * np.cos(2 * turn)
    return np.stack([size * x, size * y, -rise * np.sin(3 * turn)], 1)


def sphere(radius, count):
    """Triangles at the poles, quads between: both kinds of face in one mesh."""
    down = np.pi * np.arange(1, count) / count
    turn = 2 * np.pi * np.arange(2 * count) / (2 * count)
    ring = np.stack(
        [
            np.outer(np.sin(down), np.cos(turn)),
            np.outer(np.sin(down), np.sin(turn)),
            np.outer(np.cos(down), np.ones(2 * count)),
        ],
        -1,
    ).reshape(-1, 3)
    vertices = radius * np.concatenate([ring, [[0, 0, 1], [0, 0, -1]]])
    a = np.arange(2 * count)
    b = (a + 1) % (2 * count)
    rows = 2 * count * np.arange(count - 2)[:, None]
    quads = np.stack([rows + a, rows + a + 2 * count, rows + b + 2 * count, rows + b], -1)
    last = 2 * count * (count - 2)
    top, bottom = np.full_like(a, len(ring)), np.full_like(a, len(ring) + 1)
    triangles = np.concatenate([np.stack([a, b, top], -1), np.stack([last + b, last + a, bottom], -1)])
    return mesh_of(vertices, quads.reshape(-1, 4), triangles)


def block(x0, y0, x1, y1, z0, z1, strand=0):
    corners = [(x, y, z) for z in (z0, z1) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    faces = [(0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]
    return mesh_of(corners, faces, strand=strand)


def middles(window: Window):
    x = window.left + (np.arange(window.columns) + 0.5) * window.pitch
    y = window.top - (np.arange(window.rows) + 0.5) * window.pitch
    return np.meshgrid(x, y)


def ray_down(mesh, x, y):
    """The highest hit of a ray straight down (z, face), by Moeller and Trumbore's test of every triangle."""
    a, b, c = (mesh.vertices[corner] for corner in all_triangles(mesh).T)
    ray = np.array([0.0, 0.0, -1.0])
    start = np.array([x, y, mesh.vertices[:, 2].max() + 1.0])
    p = np.cross(ray, c - a)
    scale = np.einsum("ij,ij->i", b - a, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.einsum("ij,ij->i", start - a, p) / scale
        q = np.cross(start - a, b - a)
        v = q @ ray / scale
        far = np.einsum("ij,ij->i", c - a, q) / scale
    hit = np.flatnonzero((np.abs(scale) > 1e-14) & (u >= 0) & (v >= 0) & (u + v <= 1))
    if not len(hit):
        return math.nan, -1
    first = hit[np.argmin(far[hit])]
    quads = len(mesh.quads)
    return start[2] - far[first], first // 2 if first < 2 * quads else first - quads


# --------------------------------------------------------------------------------------------------- height buffer


def test_a_tilted_plane_has_its_height_under_the_middle_of_every_pixel():
    corners = [(x, y, 0.3 * x - 0.7 * y - 2.0) for x, y in ((-3, 1), (7, 1), (7, 7), (-3, 7))]
    plane = mesh_of(corners, [(0, 1, 2, 3)])
    window = window_of(plane, pitch=0.1)
    heights, faces = height_buffer(plane, window)
    x, y = middles(window)
    assert heights.shape == (60, 100) and heights.dtype == np.float32
    assert np.abs(heights - (0.3 * x - 0.7 * y - 2.0)).max() < 2e-6
    assert (faces == 0).all()
    # one pixel of margin shows nothing at all
    heights, faces = height_buffer(plane, window_of(plane, pitch=0.1, margin=0.1))
    assert heights.shape == (62, 102)
    assert np.isnan(heights[0]).all() and (faces[:, -1] == -1).all() and np.isfinite(heights[1:-1, 1:-1]).all()


def test_a_sphere_is_as_high_as_its_chords_allow():
    count, radius = 96, 10.0
    ball = sphere(radius, count)
    window = window_of(ball, pixels=400)
    heights, _ = height_buffer(ball, window)
    x, y = middles(window)
    inside = np.hypot(x, y) < 0.9 * radius
    true = np.sqrt(radius**2 - x[inside] ** 2 - y[inside] ** 2)
    # a flat face lies under the sphere by at most its sagitta, here measured along z where the surface leans
    sagitta = radius * (1 - math.cos(math.pi / (2 * count)) ** 2)
    lean = true / radius
    assert (true - heights[inside] >= -1e-5).all()
    assert ((true - heights[inside]) * lean <= 1.02 * sagitta).all()


@pytest.mark.parametrize("solid", ["trefoil", "sphere"])
def test_heights_and_faces_are_those_that_rays_from_above_meet(solid):
    mesh = swept(trefoil(), circle(1.6, 14)) if solid == "trefoil" else sphere(8.0, 30)
    window = window_of(mesh, pixels=300, margin=0.5)
    heights, faces = height_buffer(mesh, window)
    x, y = middles(window)
    chosen = np.random.default_rng(7).choice(x.size, 1500, replace=False)
    rays = [ray_down(mesh, x.flat[k], y.flat[k]) for k in chosen]
    z, face = np.array([r[0] for r in rays]), np.array([r[1] for r in rays])
    assert (np.isnan(z) == np.isnan(heights.flat[chosen])).all()
    seen = np.isfinite(z)
    assert 300 < seen.sum() < 1500
    assert np.abs(z[seen] - heights.flat[chosen][seen]).max() < 2e-5
    assert (face == faces.flat[chosen]).all()


def test_faces_that_share_edges_cover_every_pixel_once_even_on_their_edges():
    # corners and edges straight through the middles of pixels, in all the ways that triangles meet
    rng = np.random.default_rng(3)
    inner = np.array([(x, y) for x in range(1, 12) for y in range(1, 12)]) + rng.integers(-1, 2, (121, 2)) * 0.25
    side = np.arange(13.0)
    rim = np.concatenate([np.stack(p, 1) for p in ((side, 0 * side), (side, 0 * side + 12))])
    rim = np.concatenate(
        [rim, np.stack([0 * side[1:-1], side[1:-1]], 1), np.stack([0 * side[1:-1] + 12, side[1:-1]], 1)]
    )
    points = np.concatenate([inner, rim])
    triangles = Delaunay(points).simplices
    window = Window(-0.125, 12.125, 0.25, 49, 49)  # middles at multiples of 0.25, from 0 to 12
    vertices = np.concatenate([points, np.zeros((len(points), 1))], axis=1)
    covered = np.zeros((49, 49), int)
    for triangle in triangles:
        covered += height_buffer(mesh_of(vertices, triangles=[triangle]), window)[1] >= 0
    # of the rim the upper and the left side belong to the sheet, as half-open intervals have it
    assert (covered[:-1, :-1] == 1).all()
    assert covered[-1].sum() == covered[:, -1].sum() == 0


def test_the_highest_surface_wins_whatever_the_order_of_faces_and_below_zero_too():
    low, high = block(0, 0, 4, 4, -9.0, -6.0), block(1, 1, 3, 3, -5.0, -2.5)
    window = Window(0.0, 4.0, 0.1, 40, 40)
    for pair in ((low, high), (high, low)):
        heights, faces = height_buffer(together(*pair), window)
        assert heights[20, 20] == -2.5 and heights[2, 2] == -6.0
        assert faces[20, 20] == 1 + 6 * pair.index(high) and faces[2, 2] == 1 + 6 * pair.index(low)


def test_a_part_of_a_window_shows_the_same_as_the_whole():
    knot = swept(trefoil(), circle(1.6, 14))
    whole = window_of(knot, pixels=260)
    heights, faces = height_buffer(knot, whole)
    part = height_buffer(knot, whole.part(40, 90, 77, 61))
    assert np.array_equal(part[1], faces[40:117, 90:151])
    assert np.allclose(part[0], heights[40:117, 90:151], rtol=0, atol=1e-5, equal_nan=True)


# --------------------------------------------------------------------------------------------------------- picture


def linked_rings():
    """Two flat rings side by side; the right one (strand 1) passes over at the upper crossing, under at the lower."""
    turn = 2 * np.pi * np.arange(180) / 180
    band = np.array([(1.2, -0.5), (1.2, 0.5), (-1.2, 0.5), (-1.2, -0.5)])
    left = np.stack([8 * np.cos(turn) - 5, 8 * np.sin(turn), -1.0 * np.sin(turn)], 1)
    right = np.stack([8 * np.cos(turn) + 5, 8 * np.sin(turn), 1.0 * np.sin(turn)], 1)
    return together(swept(left, band, 0), swept(right, band, 1))


def hue_and_depth(colour):
    """A colour without its brightness."""
    return np.asarray(colour, float) / np.linalg.norm(colour)


def test_the_strand_on_top_hides_the_one_below():
    rings = linked_rings()
    image = picture(rings, 400)
    low, high = rings.vertices.min(0), rings.vertices.max(0)
    pitch = (high[0] - low[0]) * 1.14 / image.shape[1]
    middle_row, middle_column = image.shape[0] / 2, image.shape[1] / 2

    def at(x, y):
        row, column = int(middle_row - y / pitch), int(middle_column + x / pitch)
        return image[row - 1 : row + 2, column - 1 : column + 2].reshape(-1, 3).mean(axis=0)

    crossing = math.sqrt(64 - 25)
    shades = [hue_and_depth(at(-13.0, 0.0)), hue_and_depth(at(13.0, 0.0))]  # each ring where it is alone
    for y, over in ((crossing, 1), (-crossing, 0)):
        off = [np.linalg.norm(hue_and_depth(at(0.0, y)) - shade) for shade in shades]
        assert off[over] < 0.3 * off[1 - over]


def test_a_picture_is_true_to_scale_with_free_ground_all_round():
    image = picture(block(0, 0, 30, 10, 0, 1), 440, margin=0.05)
    assert image.shape == (math.ceil(440 * 13 / 33), 440, 3) and image.dtype == np.uint8
    ground = image[2, 2].astype(int)
    differs = np.abs(image[:, :, :].astype(int) - ground).max(axis=2) > 40
    columns = np.flatnonzero(differs[image.shape[0] // 2])
    assert abs(columns[0] - 20) <= 1 and abs(columns[-1] - 419) <= 20  # the shadow is on the right


def test_y_points_up_and_shadows_fall_to_the_lower_right():
    floor = block(0, 0, 40, 40, -1, 0, strand=-1)
    image = picture(together(floor, block(24, 26, 30, 32, 0, 3)), 400, margin=0.0).astype(float).sum(axis=2)
    tall = slice(90, 130), slice(250, 290)
    assert image[tall].mean() > 1.1 * image[200:390, 10:200].mean()  # bone is lighter than the board
    right, above, left = image[110:150, 303:315].mean(), image[70:77, 240:290].mean(), image[110:130, 225:237].mean()
    below = image[144:156, 255:295].mean()
    assert max(right, below) < 0.75 * min(above, left)


@pytest.mark.parametrize("underside", [-0.5, -40.0])
def test_of_two_equal_plates_the_higher_is_the_lighter_however_thick_the_board(underside):
    board = block(0, 0, 40, 10, underside, 0, strand=-1)
    plates = together(board, block(1, 1, 9, 9, 0, 1), block(31, 1, 39, 9, 0, 3))
    image = picture(plates, 300).astype(float).sum(axis=2)
    row = image.shape[0] // 2
    pitch = 40 * 1.14 / 300
    low, high = (image[row, int((x + 2.8) / pitch)] for x in (5, 35))
    assert high > 1.08 * low


def test_a_back_that_is_plane_but_for_micrometres_has_one_shade():
    image = picture(together(block(0, 0, 20, 40, 0, 3.0), block(20, 0, 40, 40, 0, 2.994)), 300, margin=0.0)
    one, other = (image[140:160, columns].reshape(-1, 3).mean(0) for columns in (slice(100, 140), slice(160, 200)))
    assert np.abs(one - other).max() < 0.03 * one.max()


def test_a_corner_between_strands_is_darker_than_open_ground_even_on_the_lamp_side():
    floor = block(0, 0, 60, 40, -1, 0, strand=-1)
    image = picture(together(floor, block(20, 10, 40, 30, 0, 5)), 300, margin=0.0).astype(float).sum(axis=2)
    near, far = image[100, 92:98].mean(), image[100, 20:30].mean()  # just left of the block, and well left of it
    assert near < 0.95 * far


def test_tiles_leave_no_seams(monkeypatch):
    rings = linked_rings()
    whole = picture(rings, 300).astype(int)
    monkeypatch.setattr(made, "TILE", 70)
    tiled = picture(rings, 300).astype(int)
    assert np.abs(whole - tiled).max() <= 1


def test_edges_stay_hard_and_round_surfaces_smooth():
    cube = made._corner_normals(block(0, 0, 1, 1, 0, 1))
    assert np.allclose(np.sort(np.abs(cube), axis=1), [0, 0, 1])
    tube = swept(np.concatenate([circle(20.0, 200), np.zeros((200, 1))], axis=1), circle(2.0, 24))
    corners = tube.vertices[all_triangles(tube).ravel()]
    out = corners.copy()
    out[:, :2] *= 1 - 20.0 / np.linalg.norm(corners[:, :2], axis=1, keepdims=True)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    downward = out[:, 2] < -0.3  # the back of the tube is lit like a front, should it ever show
    dots = np.einsum("ij,ij->i", made._corner_normals(tube), out)
    assert (dots[~downward & (out[:, 2] > 0.3)] > 0.999).all()


def lab(colours):
    """CIE L*a*b* of linear sRGB, D65."""
    matrix = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    ratio = np.clip(colours, 0, 1) @ np.transpose(matrix) / [0.9505, 1.0, 1.089]
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.stack([116 * root[:, 1] - 16, 500 * (root[:, 0] - root[:, 1]), 200 * (root[:, 1] - root[:, 2])], 1)


# Severity 1.0 of G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, 2009, in linear sRGB.
EYES = {
    "full colour": np.eye(3),
    "without long-wave cones": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "without middle-wave cones": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "without short-wave cones": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "no colour at all": [[0.2126, 0.7152, 0.0722]] * 3,
}


@pytest.mark.parametrize("eye", EYES)
def test_shades_of_the_strands_can_be_told_apart_by_every_eye(eye):
    shades = lab(light.linear(np.array(made.TONES) / 255.0) @ np.transpose(EYES[eye]))
    apart = np.linalg.norm(shades[:, None] - shades[None], axis=2) + 1e3 * np.eye(len(shades))
    assert apart.min() > 5.0  # all of them
    assert apart[:4, :4].min() > 12.0  # the first four, which most designs keep to


# -------------------------------------------------------------------------------------------------- bad input, files


@pytest.mark.parametrize("pixels", [15, 20001, 0, -5, 100.5, True, "300"])
def test_sizes_that_no_picture_should_have_are_refused_in_one_line(pixels):
    with pytest.raises(DesignError, match="from 16 to 20000") as caught:
        picture(block(0, 0, 1, 1, 0, 1), pixels)
    assert "\n" not in str(caught.value) and repr(pixels) in str(caught.value)


def test_meshes_that_cannot_be_drawn_are_refused():
    with pytest.raises(DesignError, match="without faces"):
        picture(mesh_of([(0, 0, 0)]))
    with pytest.raises(DesignError, match="not finite"):
        picture(mesh_of([(0, 0, 0), (1, 0, math.nan), (0, 1, 0)], triangles=[(0, 1, 2)]))
    flat = block(0, 0, 1, 1, 0, 1)
    with pytest.raises(DesignError, match="at least 5e-05 mm"):
        window_of(flat, pitch=1e-6)
    with pytest.raises(DesignError, match="pixels or pitch"):
        window_of(flat)
    with pytest.raises(DesignError, match="margin"):
        picture(flat, margin=-0.1)


def test_a_single_flat_sheet_and_an_upright_one_can_be_drawn():
    sheet = mesh_of([(0, 0, 5), (4, 0, 5), (0, 4, 5)], triangles=[(0, 1, 2)])
    image = picture(sheet, 64)
    assert image.shape == (64, 64, 3) and image[40, 20].sum() > image[5, 60].sum()  # bone on a darker ground
    upright = mesh_of([(0, 0, 0), (4, 0, 0), (4, 0, 3), (0, 0, 3)], [(0, 1, 2, 3)])
    assert picture(upright, 64).shape[1] == 64


def test_a_png_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch):
    image = np.random.default_rng(1).integers(0, 256, (20, 30, 3)).astype(np.uint8)
    path = tmp_path / "knot.png"
    write_png(path, image)
    with Image.open(path) as back:
        assert back.mode == "RGB" and np.array_equal(np.asarray(back), image)
    before = path.read_bytes()
    with pytest.raises(ValueError, match=r"\(h, w, 3\) uint8"):
        write_png(path, image.astype(float))

    def full(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="no space"):
        write_png(path, 255 - image)
    assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("margin", [-1.0, float("nan"), float("inf")])
def test_a_margin_is_a_length_of_nothing_or_more(margin):
    with pytest.raises(DesignError, match="give 0 or more"):
        window_of(block(0, 0, 1, 1, 0, 1), pitch=0.5, margin=margin)
