"""Pieces as meshes: the exact surface as sampled, and levels of detail of it that keep a tolerance.

A level keeps some rings and some rails (:mod:`.budget`), stitches them (:mod:`.net`), sets its points off the surface
so that it is nowhere farther off than need be (:mod:`.fitting`), and takes its normals from the exact surface
(:mod:`.shading`). What stands at ports is the kit's (:mod:`.seams`).

**Hidden undersides** are left out unless asked for. Hidden is a column of faces that looks down along the whole run:
nothing straight above sees it. Upright walls stay, since a camera sees them aslant, and so do tops that pass under
another strand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..mesh import Floats, Ints
from .budget import Survey, choose, survey
from .choosing import looped
from .deviation import deviation_of
from .exact import Exact, exact_of
from .fitting import Freedom, fit, free, sample, turn_diagonals
from .kit import TrimMesh
from .meshing import end_corners, mesh_of
from .net import Choice, Net, build_net
from .options import Trimming
from .patches import Patches
from .seams import (
    GRID,
    SeamEnd,
    Seams,
    Section,
    into_port,
    out_of_port,
    port_ends,
    run_ahead,
    runs_forward,
    seam_end,
    seam_normals,
)

BETWEEN = 7
"""Rings that a fit looks at between two kept ones."""


def choose_seams(
    straights: Sequence[Patches],
    tolerance: float,
    options: Trimming | None = None,
    exacts: Sequence[Exact] | None = None,
) -> Seams:
    """What stands at the ports of a level: found on the straight pieces, one of each profile, with ends joined.

    ``exacts`` are the exact surfaces of the pieces, where they are known.
    """
    options = options or Trimming()
    exacts = exacts or [exact_of(straight, options) for straight in straights]
    ends: dict[tuple[str, int], SeamEnd] = {}
    sections: list[Section] = []
    for exact in exacts:
        known = Seams(tolerance, {}, tuple(sections))
        piece = survey(exact, known)
        choices = choose(piece, tolerance)
        # sections that another profile had before are known by now; of the others the first run is none in a mirror
        sections += [
            Section(group.section.figure, group.section.shown, choices[group.runs[0]].chains)
            for group in piece.groups
            if all(group.section is not one for one in known.sections)
        ]
        ends |= _fitted_ends(piece, choices, options)
    return Seams(tolerance, ends, tuple(sections))


def _fitted_ends(piece: Survey, choices: tuple[Choice, ...], options: Trimming) -> dict[tuple[str, int], SeamEnd]:
    """The ends of a straight piece's strands after it is fitted with both its ports as one seam."""
    patches = piece.patches
    choices = _same_ends(patches, choices)
    net, points = _fitted(piece, choices, _joined(patches, choices, build_net(patches, choices)))
    found: dict[tuple[str, int], SeamEnd] = {}
    ends = port_ends(patches)
    for port, key, run, end in ends:
        if end == 0:
            continue
        at = patches.ports[port]
        chains = choices[run].at(len(choices[run].rings) - 1)
        rows = end_corners(net, run, int(choices[run].rings[-1]))
        places = into_port(at, points[net.point[rows]])
        places = np.round(places / GRID) * GRID
        places[:, 0] = 0.0
        normals, split = seam_normals(
            patches.runs[run], patches.runs[_beside(ends, key, 0)], run_ahead(at), chains, options.hard
        )
        found[at.profile, key] = SeamEnd(
            runs_forward(at, end), chains, places, np.concatenate(normals), np.concatenate(split)
        )
    return found


def _beside(ends: Sequence[tuple[int, int, int, int]], key: int, end: int) -> int:
    """The run of a straight piece that begins (0) or ends (1) at a place of its seam, at whichever port that is."""
    return next(run for _, other, run, at in ends if (other, at) == (key, end))


def _same_ends(patches: Patches, choices: tuple[Choice, ...]) -> tuple[Choice, ...]:
    """Where a strand goes on from one port as another run with other rails, the rails it arrives with."""
    ends = port_ends(patches)
    arriving = {key: choices[run].at(len(choices[run].rings) - 1) for _, key, run, end in ends if end == 1}
    result = list(choices)
    for _, key, run, end in ends:
        if end == 0:
            result[run] = replace(result[run], first=arriving[key])
    return tuple(result)


def _joined(patches: Patches, choices: tuple[Choice, ...], net: Net) -> Freedom:
    """Points of the two ports of a straight piece as one, kept to the seam's plane."""
    unknown = np.arange(len(net.points))
    plane = np.zeros((len(net.points), 3))
    ends = port_ends(patches)
    for port, key, run, end in ends:
        rows = net.point[end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))]
        way = np.radians(run_ahead(patches.ports[port]))
        plane[rows] = np.round([np.cos(way), np.sin(way), 0.0], 15)
        if end == 0:
            other = _beside(ends, key, 1)
            unknown[rows] = net.point[end_corners(net, other, int(choices[other].rings[-1]))]
    return Freedom(unknown, plane, np.zeros(len(net.points), bool))


def _fitted(piece: Survey, choices: tuple[Choice, ...], freedom: Freedom) -> tuple[Net, Floats]:
    """The net with its diagonals laid and its points set off the surface."""
    return _fit_net(piece, build_net(piece.patches, choices), choices, freedom)


def _fit_net(piece: Survey, net: Net, choices: tuple[Choice, ...], freedom: Freedom) -> tuple[Net, Floats]:
    samples = sample(piece.patches, piece.shown, _sampled(piece, choices), net)
    net = replace(net, triangles=turn_diagonals(net, net.points, samples))
    samples = sample(piece.patches, piece.shown, _sampled(piece, choices), net)
    return net, fit(net, samples, freedom)


def _sampled(piece: Survey, choices: tuple[Choice, ...]) -> tuple[Ints, ...]:
    """Rings of every run that a fit looks at: kept ones and up to ``BETWEEN`` between two of them."""
    rings = []
    for run, choice in zip(piece.patches.runs, choices, strict=True):
        count = len(looped(run)[0])
        share = np.linspace(0, 1, BETWEEN + 2)[:-1]
        between = choice.rings[:-1, None] + np.diff(choice.rings)[:, None] * share
        near = np.unique(np.concatenate([np.round(between).astype(np.int64).ravel(), choice.rings]))
        rings.append(near[near < count])
    return tuple(rings)


def fine_mesh(
    patches: Patches, options: Trimming | None = None, seams: Seams | None = None, exact: Exact | None = None
) -> TrimMesh:
    """The exact surface with all its rings and shown rails.

    ``seams`` (:func:`exact_seams`) give the rails and normals at ports, so that they are the same in all pieces: a
    short stretch from a fork to a port may show another column than what it meets there.
    """
    options = options or Trimming()
    exact = exact or exact_of(patches, options)
    choices = list(exact.choices)
    if seams is not None:
        for port, key, run, end in port_ends(patches):
            chains = seam_end(seams, patches.ports[port], key, end, patches.runs[run].points.shape[1]).chains
            choices[run] = replace(choices[run], first=chains) if end == 0 else replace(choices[run], last=chains)
    net = build_net(patches, tuple(choices))
    return mesh_of(patches, tuple(choices), net, net.points, options, seams)


def exact_seams(exacts: Sequence[Exact], options: Trimming) -> Seams:
    """Seams with every shown rail on the exact surface, from the straight pieces."""
    ends: dict[tuple[str, int], SeamEnd] = {}
    for exact in exacts:
        straight, shown = exact.patches, exact.shown
        every = port_ends(straight)
        for port, key, run, end in every:
            if end == 0:
                continue
            at = straight.ports[port]
            on = straight.runs[_beside(every, key, 0)]
            normals, split = seam_normals(straight.runs[run], on, run_ahead(at), shown[run], options.hard)
            rails = np.concatenate(shown[run]) % straight.runs[run].points.shape[1]
            ends[at.profile, key] = SeamEnd(
                runs_forward(at, end),
                shown[run],
                into_port(at, straight.runs[run].points[-1, rails]),
                np.concatenate(normals),
                np.concatenate(split),
            )
    return Seams(0.0, ends, ())


def make_level(
    patches: Patches,
    tolerance: float,
    options: Trimming | None = None,
    seams: Seams | None = None,
    exact: Exact | None = None,
) -> tuple[TrimMesh, float]:
    """A level that is no more than about the tolerance off the exact surface, and its deviation, mm.

    The deviation is the greatest distance both ways between the level and the exact surface that is shown. Ports stand
    as ``seams`` say; without, on the exact surface, with rails of the piece's own choice. ``exact`` is the piece's
    exact surface, where it is known.
    """
    options = options or Trimming()
    exact = exact or exact_of(patches, options)
    piece = survey(exact, seams)
    choices = choose(piece, tolerance, seams)
    net = build_net(patches, choices)
    points, fixed = net.points.copy(), np.zeros(len(net.points), bool)
    for port, key, run, end in port_ends(patches):
        rows = net.point[end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))]
        fixed[rows] = True
        if seams is not None:
            corners = patches.runs[run].points.shape[1]
            at = patches.ports[port]
            points[rows] = out_of_port(at, seam_end(seams, at, key, end, corners).places)
    every = free(len(points))
    net, points = _fit_net(piece, replace(net, points=points), choices, Freedom(every.unknown, every.plane, fixed))
    return mesh_of(patches, choices, net, points, options, seams), deviation_of(exact, net, points)
