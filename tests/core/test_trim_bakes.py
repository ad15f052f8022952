"""Maps of a kit: what they say of the exact surface, that they go on across joints, and that levels decode them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal
from scipy import ndimage

from knotgeom.trims import bakes
from knotgeom.trims.bending import curvature
from knotgeom.trims.kit import piece
from knotgeom.trims.layers import layers as layers_of
from knotgeom.trims.occlusion import occlusion
from knotgeom.trims.options import Green, Textures
from knotgeom.trims.padding import nearest, nearest_like
from knotgeom.trims.textures import NONE
from tests.core.trim_tubes import HEIGHT, PERIOD, RADIUS, kit_of, straight, woven_kit


@pytest.fixture(scope="module")
def kit():
    return woven_kit(bits=16)


@pytest.fixture(scope="module")
def maps(kit):
    return bakes.bake(kit, levels=(0, 1))


@pytest.fixture(scope="module")
def layers(kit):
    return layers_of(kit)


def block_of(kit, name, port=0):
    return next(one for one in kit.sheet.blocks if one.piece == name and one.port == port)


def part(kit, values, block):
    left, bottom, right, top = block.texels
    return values[kit.sheet.height - top : kit.sheet.height - bottom, left:right]


def middles(kit, block):
    """Places of a part's texels in its plan, mm: x of the columns, y of the rows."""
    left, bottom, right, top = block.texels
    x = block.box[0] + (np.arange(right - left) + 0.5) / kit.sheet.per_mm
    return x, block.box[3] - (np.arange(top - bottom) + 0.5) / kit.sheet.per_mm


def normals_from(pixels):
    most = np.iinfo(pixels.dtype).max
    given = pixels.astype(float) / most * 2 - 1
    return given / np.linalg.norm(given, axis=-1, keepdims=True)


def degrees(one, other):
    return np.degrees(np.arccos(np.clip((one * other).sum(-1), -1, 1)))


# ------------------------------------------------------------------------------------------------- closed forms


@pytest.fixture(scope="module")
def lone():
    """One straight half tube of radius 2 on the ground."""
    return kit_of([straight(lambda _strand, s: (0 * s, 0 * s), strands=1)])


def test_a_half_tube_has_the_height_normals_curvature_and_light_of_a_cylinder(lone):
    found, block = layers_of(lone), block_of(lone, "straight")
    _, y = middles(lone, block)
    up = np.sqrt(np.maximum(RADIUS**2 - y**2, 0))
    inner = np.abs(y) < 0.95 * RADIUS
    height, normals, bend, light = (
        part(lone, values, block)[inner] for values in (found.height, found.normals, found.curvature, found.occlusion)
    )
    assert_allclose(height, np.broadcast_to(up[inner, None], height.shape), atol=0.01)
    exact = np.stack([0 * y, y / RADIUS, up / RADIUS], 1)[inner, None]
    assert degrees(normals, exact).max() < 0.5
    flatter = np.abs(y[inner]) < 0.8 * RADIUS  # means reach up to the outline
    assert_allclose(bend[flatter], 1 / RADIUS, rtol=0.02)
    # a slanted place on a convex body on level ground sees (1 + cos) / 2 of an even sky: B. Liu and R. Jordan,
    # The interrelationship and characteristic distribution of direct, diffuse and total solar radiation (1960)
    assert_allclose(light, np.broadcast_to((1 + up[inner, None] / RADIUS) / 2, light.shape), atol=0.015)


def test_level_ground_beside_a_half_tube_is_as_dark_as_its_view_factor_says(lone):
    found, block = layers_of(lone), block_of(lone, "straight")
    _, y = middles(lone, block)
    beside = (np.abs(y) > 1.15 * RADIUS) & (np.abs(y) < 3 * RADIUS)
    # an endless cylinder hides all below the tangent at asin(r / d), and by crossed strings (H. Hottel) a level place
    # sees half of the sine between the limits of what it sees: (1 + cos) / 2
    hidden = np.arcsin(RADIUS / np.abs(y[beside]))
    light = part(lone, found.occlusion, block)[beside]
    assert_allclose(light, np.broadcast_to((1 + np.cos(hidden))[:, None] / 2, light.shape), atol=0.025)


def test_a_right_angled_valley_is_half_dark_at_its_bottom():
    texel, depth, margin = 0.05, 2.0, 160
    x = (np.arange(400 + 2 * margin) + 0.5) * texel
    height = np.abs((x + depth) % (2 * depth) - depth)
    field = np.broadcast_to(height.astype(np.float32), (8 + 2 * margin, len(x)))
    inner = slice(margin, margin + 400)
    rising = np.where((x % (2 * depth)) < depth, -1, 1)[inner]
    normals = np.zeros((8, 400, 3), np.float32)
    normals[..., 0], normals[..., 2] = rising / np.sqrt(2), 1 / np.sqrt(2)
    light = occlusion(np.ascontiguousarray(field), normals, margin, texel)
    # seen from a wall of length l, s up from the bottom, the other wall ends atan(s / l) short of the normal
    share = np.sin(np.arctan(height[inner] / depth))
    assert_allclose(light, np.broadcast_to((1 + share) / 2, light.shape), atol=0.02)


# ----------------------------------------------------------------------------------------- against other programs


def whole_straight(kit):
    """The straight piece over and over, farther than its part of the sheet, as trimesh."""
    mesh = piece(kit, "straight").fine
    copies = [mesh.positions + [k * PERIOD, 0, 0] for k in range(-2, 4)]
    faces = np.concatenate([mesh.triangles + k * len(mesh.positions) for k in range(6)])
    return trimesh.Trimesh(np.concatenate(copies), faces, process=False)


def test_heights_are_those_that_rays_find(kit, maps):
    block = block_of(kit, "straight")
    x, y = middles(kit, block)
    grid = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), 100.0)], -1).reshape(-1, 3)
    at, ray, _ = whole_straight(kit).ray.intersects_location(grid, np.tile([0, 0, -1.0], (len(grid), 1)), False)
    found = np.zeros(len(grid))
    found[ray] = at[:, 2]
    height = kit.low + part(kit, maps["height"], block) / 65535 * (kit.high - kit.low)
    off = np.abs(height - found.reshape(height.shape))
    steady = ndimage.maximum_filter(found.reshape(off.shape), 3) - ndimage.minimum_filter(
        found.reshape(off.shape), 3
    )  # a texel is the mean of its extent: where the surface is steep within it they differ
    assert off[steady < 0.2].max() < 0.02
    assert (steady < 0.2).mean() > 0.5
    assert np.quantile(off, 0.95) < 0.1


def test_normals_are_those_of_the_height_map(kit, maps, layers):
    block = block_of(kit, "straight")
    texel = 1 / kit.sheet.per_mm
    height = kit.low + part(kit, maps["height"], block) / 65535 * (kit.high - kit.low)
    dx = ndimage.gaussian_filter(height, 0.7, order=(0, 1), mode="wrap") / texel
    dy = -ndimage.gaussian_filter(height, 0.7, order=(1, 0), mode="wrap") / texel
    slopes = np.stack([-dx, -dy, np.ones_like(dx)], -1)
    expected = slopes / np.linalg.norm(slopes, axis=-1, keepdims=True)
    off = degrees(normals_from(part(kit, maps["normal"], block)), expected)
    strand = part(kit, layers.strand, block)
    one = ndimage.maximum_filter(strand, 9) == ndimage.minimum_filter(strand, 9)
    inner = one & (strand != NONE) & (expected[..., 2] > 0.5)
    assert inner.mean() > 0.2
    assert off[inner].mean() < 0.5
    assert off[inner].max() < 3


def test_occlusion_is_that_of_rays_weighted_by_the_cosine(kit, layers):
    block = block_of(kit, "straight")
    x, y = middles(kit, block)
    rng = np.random.default_rng(3)
    light, normals, cover, height, pure = (
        part(kit, values, block)
        for values in (layers.occlusion, layers.normals, layers.cover, layers.height, layers.pure)
    )
    chosen = rng.permutation(np.argwhere(pure | (cover == 0)))[:300]
    rows, columns = chosen.T
    ground = trimesh.creation.box((200, 200, 1), trimesh.transformations.translation_matrix((0, 0, kit.low - 0.5)))
    scene = trimesh.util.concatenate([whole_straight(kit), ground])
    normal = normals[rows, columns].astype(float)
    start = np.column_stack([x[columns], y[rows], height[rows, columns]]) + 0.02 * normal
    count = 256
    turn, out = np.pi * (3 - np.sqrt(5)) * np.arange(count), np.sqrt((np.arange(count) + 0.5) / count)
    aside = np.cross(normal, [0.3, 0.5, 0.8])
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    frame = np.stack([aside, np.cross(normal, aside), normal], 1)
    ways = np.stack([out * np.cos(turn), out * np.sin(turn), np.sqrt(1 - out**2)], 1) @ frame
    hit = scene.ray.intersects_any(np.repeat(start, count, 0), ways.reshape(-1, 3))
    seen = 1 - hit.reshape(-1, count).mean(1)
    off = light[rows, columns] - seen
    assert abs(off.mean()) < 0.02
    assert np.sqrt((off**2).mean()) < 0.06


def test_bare_texels_take_the_nearest_covered_one():
    covered = np.random.default_rng(1).random((90, 130)) < 0.004
    for wraps in (False, True):
        bare, source = nearest(covered, 9, wraps)
        three = np.tile(covered, 3) if wraps else covered
        away = ndimage.distance_transform_edt(~three)[:, -260:-130] if wraps else ndimage.distance_transform_edt(~three)
        assert_array_equal(bare, np.flatnonzero((away > 0) & (away <= 9)))
        assert covered.ravel()[source].all()
        (row, column), (other_row, other) = np.divmod(bare, 130), np.divmod(source, 130)
        aside = np.abs(column - other)
        aside = np.minimum(aside, 130 - aside) if wraps else aside
        assert_allclose(np.hypot(row - other_row, aside), away.ravel()[bare])


@pytest.mark.parametrize("reach", [0.0, 0.4])
def test_a_ball_bends_by_twice_the_inverse_of_its_radius_up_to_its_outline(reach):
    """Both principal curvatures of a sphere are 1 / R; beside its outline neighbours of another strand do not count."""
    texel, radius = 0.1, 5.0
    x, y = np.meshgrid(np.arange(-20, 21) * texel, np.arange(20, -21, -1) * texel)
    z = np.sqrt(radius**2 - x**2 - y**2)
    normals = (np.stack([x, y, z], -1) / radius).astype(np.float32)
    strand = np.where(x < 1.0, 0, 1).astype(np.int16)
    height = np.where(strand == 0, z, z - 3.0).astype(np.float32)
    bend = curvature(normals, height, strand, np.ones(x.shape, bool), texel, reach)
    assert_allclose(bend, 2 / radius, rtol=0.01)


def test_bare_texels_take_the_nearest_covered_one_of_their_own_strand():
    """As among the covered texels of each strand by itself."""
    random = np.random.default_rng(4)
    covered, strand = random.random((80, 90)) < 0.02, random.integers(0, 3, (80, 90))
    bare, source = nearest_like(covered, strand, ~covered, 12)
    found = np.full(covered.size, -1)
    found[bare] = source
    for number in range(3):
        own, their = nearest(covered & (strand == number), 12, wraps=True)
        mine = ~covered.ravel()[own] & (strand.ravel()[own] == number)
        assert_array_equal(found[own[mine]], their[mine])
    assert (found >= 0).sum() == len(bare) > 5000


# --------------------------------------------------------------------------------------------------------- joints


@pytest.mark.parametrize("name", ["height", "normal", "occlusion", "curvature", "packed", "cover", "normal-lod1"])
def test_a_tile_wrapped_round_differs_across_its_edge_as_between_neighbours_inside(kit, maps, name):
    tile = part(kit, maps[name], block_of(kit, "straight")).astype(float)
    between = np.abs(np.diff(tile, axis=1, append=tile[:, :1]))
    between = between.reshape(len(tile), tile.shape[1], -1).mean((0, 2))
    assert tile.std() > 0
    assert between[-1] <= between[:-1].max()
    assert between[-1] <= 1.5 * np.median(between[[0, 1, 2, 3, -2, -3, -4, -5]]) + 1e-9


def test_maps_go_on_beyond_a_port_as_the_piece_that_will_stand_there(kit, layers):
    """Half the padding beyond a port shows the next piece: texel by texel what the straight piece has there."""
    straight_block = block_of(kit, "straight")
    sheet = kit.sheet
    for block in kit.sheet.blocks:
        if block.wraps:
            continue
        own = piece(kit, block.piece)
        port = own.ports[block.port]
        left, bottom, right, top = block.texels
        # the arm's port is at its left or right end; texels from 6 within to 4 beyond
        columns = np.arange(left - 4, left + 6) if not port.ahead else np.arange(right - 6, right + 4)
        x = block.box[0] + (columns + 0.5 - left) / sheet.per_mm
        turn = np.radians(-block.turn)
        at = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ port.at
        y = block.box[1] + (np.arange(top - bottom) + 0.5) / sheet.per_mm - at[1]
        there_column = ((x - at[0]) * sheet.per_mm - 0.5) % sheet.width
        there_row = (straight_block.box[3] - y) * sheet.per_mm - 0.5
        inside = (there_row > 0) & (there_row < straight_block.texels[3] - straight_block.texels[1] - 1)
        places = np.meshgrid(there_row[inside], there_column, indexing="ij")
        maps = {"height": layers.height, "light": layers.occlusion, "bend": layers.curvature}
        maps |= {f"normal {axis}": layers.normals[..., axis] for axis in range(3)}
        here, there = {}, {}
        for name, values in maps.items():
            here[name] = values[sheet.height - top : sheet.height - bottom][::-1][:, columns][inside]
            flat = part(kit, values, straight_block)
            there[name] = ndimage.map_coordinates(flat, places, order=1, mode="grid-wrap")
        steady = ndimage.maximum_filter(there["height"], 3) - ndimage.minimum_filter(there["height"], 3) < 0.2
        assert steady.mean() > 0.3
        for name, most in (
            ("height", 0.03),
            ("light", 0.03),
            ("bend", 0.25 / RADIUS),
            *[(f"normal {k}", 0.06) for k in range(3)],
        ):
            assert np.abs(here[name] - there[name])[steady].max() < most, (block.piece, block.port, name)


# --------------------------------------------------------------------------------------------------------- levels


def test_a_level_with_its_map_looks_like_the_exact_surface(kit, maps):
    """Decoded as MikkTSpace says at places on the level's triangles, the map gives the exact surface's normals."""
    exact = piece(kit, "straight").fine
    surface = whole_straight(kit)
    rng = np.random.default_rng(5)
    for number in (0, 1):
        mesh = piece(kit, "straight").levels[number].mesh
        which = rng.integers(0, len(mesh.triangles), 4000)
        share = rng.dirichlet([1, 1, 1], len(which))
        over = [np.einsum("nc,ncx->nx", share, values[mesh.triangles[which]]) for values in
                (mesh.positions, mesh.normals, mesh.tangents, mesh.uv)]  # fmt: skip
        place, normal, tangent, uv = over
        u, v = uv[:, 0] * kit.sheet.width - 0.5, (1 - uv[:, 1]) * kit.sheet.height - 0.5
        texels = maps[f"normal-lod{number}"] / 65535 * 2 - 1
        local = np.stack(
            [ndimage.map_coordinates(texels[..., k], [v, u], order=1, mode="grid-wrap") for k in range(3)], 1
        )
        bitangent = np.sign(tangent[:, 3:]) * np.cross(normal, tangent[:, :3])
        shown = local[:, :1] * tangent[:, :3] + local[:, 1:2] * bitangent + local[:, 2:] * normal
        shown /= np.linalg.norm(shown, axis=1, keepdims=True)
        above = place * [1, 1, 0] + [0, 0, 50]
        at, ray, face = surface.ray.intersects_location(above, np.tile([0, 0, -1.0], (len(above), 1)), False)
        corners = surface.triangles[face]
        weights = trimesh.triangles.points_to_barycentric(corners, at)
        true = np.einsum("nc,ncx->nx", weights, exact.normals[exact.triangles[face % len(exact.triangles)]])
        true /= np.linalg.norm(true, axis=1, keepdims=True)
        # only where the level's own strand is seen, and not aslant
        own = (
            mesh.strand[mesh.triangles[which[ray], 0]] == exact.strand[exact.triangles[face % len(exact.triangles), 0]]
        )
        seen = own & (np.abs(at[:, 2] - place[ray, 2]) < 0.5) & (true[:, 2] > 0.4)
        with_map = degrees(shown[ray], true)[seen]
        flat = normal[ray] / np.linalg.norm(normal[ray], axis=1, keepdims=True)
        without = degrees(flat, true)[seen]
        assert seen.mean() > 0.3
        assert with_map.mean() < 0.75
        assert np.quantile(with_map, 0.98) < 5
        assert with_map.mean() < without.mean() / (2, 4)[number]


def test_the_exact_surface_as_its_own_level_needs_no_map():
    same = straight()
    same = replace(same, levels=(replace(same.levels[0], mesh=same.fine),))
    plain = bakes.bake(kit_of([same], bits=8), levels=(0,))["normal-lod0"]
    assert np.abs(plain.astype(int) - [128, 128, 255]).max() <= 2


def test_a_card_takes_the_normals_of_the_plane():
    one = straight()
    low, high = one.fine.positions.min(0), one.fine.positions.max(0)
    corners = np.array([[0, low[1]], [PERIOD, low[1]], [PERIOD, high[1]], [0, high[1]]])
    four = {name: getattr(one.fine, name)[:4] for name in ("strand", "along", "across", "uv", "light_uv", "tangents")}
    card = replace(
        one.fine,
        positions=np.column_stack([corners, np.full(4, 1.0)]),
        normals=np.tile([0.0, 0.0, 1.0], (4, 1)),
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        patch=np.zeros(2, np.int32),
        seam=(np.zeros(0, np.int32),) * 2,
        **four,
    )
    carded = kit_of([replace(one, levels=(replace(one.levels[0], mesh=card, card=True),))], bits=8)
    found = bakes.bake(carded, levels=(0,))
    seen = found["cover"] == 255
    assert seen.mean() > 0.05
    assert np.abs(found["normal-lod0"].astype(int) - found["normal"])[seen].max() <= 1


# ------------------------------------------------------------------------------------------------- what is written


def test_bits_green_and_packing_are_as_asked_for(kit, maps):
    eight = replace(kit.design.make.trim, textures=Textures(bits=8, green=Green.DIRECTX))
    other = bakes.bake(kit, eight)
    assert {name: pixels.dtype.name for name, pixels in other.items()} == {
        **dict.fromkeys(("normal", "occlusion", "curvature", "strand", "packed", "cover"), "uint8"),
        "height": "uint16",
    }
    shape = (kit.sheet.height, kit.sheet.width)
    assert {pixels.shape[:2] for pixels in (*maps.values(), *other.values())} == {shape}
    up = maps["normal"] / 65535
    down = other["normal"] / 255
    assert_allclose(up[..., [0, 2]], down[..., [0, 2]], atol=1 / 255)
    assert_allclose(up[..., 1], 1 - down[..., 1], atol=1 / 255)
    assert_array_equal(other["packed"][..., 0], other["occlusion"])
    assert other["packed"][..., 1].std() > 0 and (other["packed"][..., 2] == 0).all()


def test_every_strand_has_one_flat_colour_that_runs_on_through_the_joints(kit, maps, layers):
    listed = {tuple(int(one[k : k + 2], 16) for k in (1, 3, 5)) for one in bakes.facts(kit)["strands"]}
    used = {tuple(one) for one in np.unique(maps["strand"].reshape(-1, 3), axis=0).tolist()} - {(0, 0, 0)}
    assert used == listed and len(used) == 2
    apart = [np.abs(np.subtract(one, other)).max() for one in used for other in used if one != other]
    assert min(apart) > 40
    colours = bakes.colours(24)
    assert len(np.unique(colours, axis=0)) == 25
    # beyond its port a corner shows the straight piece: the same colour there as within
    block = block_of(kit, "corner-inner-090")
    rows = slice(kit.sheet.height - block.texels[3], kit.sheet.height - block.texels[1])
    within, beyond = (layers.strand[rows, block.texels[0] + k] for k in (1, -1))
    both = (within != NONE) & (beyond != NONE)
    assert both.sum() > 20 and (within == beyond)[both].mean() > 0.95


def test_between_strands_maps_go_on_and_the_height_does_not(kit, maps, layers):
    block = block_of(kit, "straight")
    cover, height, strand = (part(kit, maps[name], block) for name in ("cover", "height", "strand"))
    assert (cover == 0).mean() > 0.1
    assert (height[cover == 0] == 0).all()
    away = ndimage.distance_transform_edt(part(kit, layers.cover, block) < 0.5)
    beside = (away > 0) & (away <= kit.sheet.padding - 1)
    assert (strand[beside] > 0).any(-1).all()
    grounded = bakes.bake(kit, ground=True)
    bare = part(kit, grounded["normal"], block)[(cover == 0)]
    assert np.abs(bare.astype(int) - [32768, 32768, 65535]).max() <= 1
    assert part(kit, grounded["occlusion"], block)[cover == 0].min() < 0.8 * 65535


def test_a_part_that_comes_round_more_than_once_is_the_same_each_time():
    twice = kit_of([straight()], density=8000.0)
    block = block_of(twice, "straight")
    assert block.box[2] == pytest.approx(2 * PERIOD)
    height = part(twice, bakes.bake(twice)["height"], block)
    assert_array_equal(height[:, :128], height[:, 128:])
    assert height.std() > 0 and height.shape[0] / twice.sheet.per_mm == pytest.approx(HEIGHT)
