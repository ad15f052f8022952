"""What a whole piece keeps at a tolerance: rails by section, rings by run; and the tolerance that a budget allows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..errors import DesignError
from .choosing import Chains, Chords, choose_rings, measure_chords, profile, section_choices
from .exact import Exact, exact_of
from .net import Choice, chain_edges, count_triangles, fork_rails
from .options import Screen, Trimming
from .patches import Patches
from .seams import Seams, Section, mirrored, port_ends, seam_end

SAME = 0.02
"""Sections are the same if no point differs by more than this share of their size."""
NEAR = 1.0005
"""A tolerance is searched for up to this ratio."""
FINEST = 1e-6
"""Tolerances are not looked for below this share of a strand's girth."""


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Runs of one section, which of them are its mirror image, and choices of rails with the section's errors."""

    runs: tuple[int, ...]
    flipped: tuple[bool, ...]
    section: Section
    choices: tuple[tuple[float, Chains], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A piece as choices are made from it: its exact surface, and its runs in groups of one section."""

    exact: Exact
    groups: tuple[Group, ...]

    @property
    def patches(self) -> Patches:
        return self.exact.patches

    @property
    def shown(self) -> tuple[Chains, ...]:
        return self.exact.shown


def survey(exact: Exact, seams: Seams | None = None) -> Survey:
    """Group a piece's runs by their sections; those that ``seams`` knows keep its rails."""
    patches, shown = exact.patches, exact.shown
    figures = [profile(run.points[len(run.points) // 2]) for run in patches.runs]
    known = list(seams.sections) if seams else []
    sections: list[Section] = []
    members: list[list[tuple[int, bool]]] = []
    fixed: list[bool] = []
    for number, figure in enumerate(figures):
        for place, section in enumerate([*sections, *known]):
            found = _alike(figure, shown[number], section)
            if found is not None:
                if place >= len(sections):
                    sections.append(section)
                    members.append([])
                    fixed.append(True)
                    place = len(sections) - 1
                members[place].append((number, found))
                break
        else:
            sections.append(Section(figure, shown[number], shown[number]))
            members.append([(number, False)])
            fixed.append(False)
    groups = []
    for section, own, kept in zip(sections, members, fixed, strict=True):
        choices = ((0.0, section.kept),) if kept else _rail_choices(section)
        groups.append(Group(tuple(n for n, _ in own), tuple(f for _, f in own), section, choices))
    return Survey(exact, tuple(groups))


def _alike(figure: np.ndarray, shown: Chains, section: Section) -> bool | None:
    """Whether a figure is the section as it stands (False) or in a mirror (True); None if it is another."""
    size = float(np.ptp(section.figure, axis=0).max())
    corners = len(figure)
    flipped = figure[(corners - np.arange(corners)) % corners] * np.array([-1.0, 1.0])
    for mirror, other, rows in ((False, figure, shown), (True, flipped, mirrored(shown, corners))):
        same_rows = len(rows) == len(section.shown) and all(
            np.array_equal(a, b) for a, b in zip(rows, section.shown, strict=True)
        )
        if same_rows and np.abs(other - section.figure).max() <= SAME * size:
            return mirror
    return None


def _rail_choices(section: Section) -> tuple[tuple[float, Chains], ...]:
    """Choices for all rows of columns together, from the fewest rails to the most."""
    rows = [section_choices(section.figure, chain) for chain in section.shown]
    steps = range(max(len(row) for row in rows))
    taken = [[row[min(step, len(row) - 1)] for row in rows] for step in steps]
    return tuple((max(error for error, _ in one), tuple(rails for _, rails in one)) for one in taken)


def _worth_trying(choices: tuple[tuple[float, Chains], ...], tolerance: float) -> list[Chains]:
    """Choices whose sections keep the tolerance, up to the first that leaves nearly all of it to the rings."""
    keep = [number for number, (error, _) in enumerate(choices) if error <= tolerance] or [len(choices) - 1]
    ample = [number for number, (error, _) in enumerate(choices) if error <= tolerance / 12] or [len(choices) - 1]
    return [kept for _, kept in choices[keep[0] : max(ample[0], keep[0]) + 1]]


def chords_of(piece: Survey, run: int, kept: Chains, tolerance: float) -> Chords:
    """The table of chords for a tolerance, measured once for each doubling of it."""
    octave = math.floor(math.log2(tolerance))
    key = (run, tuple(tuple(chain.tolist()) for chain in kept), octave)
    tables = piece.exact.tables
    if key not in tables:
        tables[key] = measure_chords(piece.patches.runs[run], piece.shown[run], kept, 2.0**octave)
    return tables[key]


def choose(piece: Survey, tolerance: float, seams: Seams | None = None, even_out: bool = True) -> tuple[Choice, ...]:
    """What is kept of every run: for each section the rails that need the fewest triangles at the tolerance."""
    found: dict[int, Choice] = {}
    for group in piece.groups:
        best = math.inf
        for kept in _worth_trying(group.choices, tolerance):
            tried = {}
            for run, flipped in zip(group.runs, group.flipped, strict=True):
                own = mirrored(kept, piece.patches.runs[run].points.shape[1]) if flipped else kept
                rings, dense = choose_rings(chords_of(piece, run, own, tolerance), tolerance)
                tried[run] = Choice(rings, own, dense=dense, shown=piece.shown[run])
            spent = sum(count_triangles(choice) for choice in tried.values())
            if spent < best:
                best = spent
                found |= tried
    if even_out:
        for run, choice in found.items():
            rings, dense = choose_rings(chords_of(piece, run, choice.chains, tolerance), tolerance, even_out=True)
            found[run] = replace(choice, rings=rings, dense=dense)
    ends = _end_rails(piece, {run: choice.chains for run, choice in found.items()}, seams)
    return tuple(
        replace(found[run], first=ends.get((run, 0)), last=ends.get((run, 1))) for run in range(len(piece.shown))
    )


def _end_rails(piece: Survey, rails: dict[int, Chains], seams: Seams | None) -> dict[tuple[int, int], Chains]:
    """Rails of first and last rings where they are others than the run's: at ports as the seam's, at forks more."""
    patches = piece.patches
    ends: dict[tuple[int, int], Chains] = {}
    if seams is not None:
        for port, key, run, end in port_ends(patches):
            corners = patches.runs[run].points.shape[1]
            ends[run, end] = seam_end(seams, patches.ports[port], key, end, corners).chains
    for number, fork in enumerate(patches.forks):
        must = fork_rails(patches, number)
        size = patches.runs[fork.trunk[0]].points.shape[1]
        left, right = (np.unique(np.concatenate(rails[run[0]]) % size) for run in (fork.left, fork.right))
        pairs = fork.wall[np.isin(fork.wall[:, 0] % size, left) | np.isin(fork.wall[:, 1] % size, right)]
        wanted = {
            fork.trunk: must[fork.trunk[0]],
            fork.left: np.concatenate([must[fork.left[0]], pairs[:, 0]]),
            fork.right: np.concatenate([must[fork.right[0]], pairs[:, 1]]),
        }
        for (run, end), more in wanted.items():
            rows = []
            for shown, kept in zip(piece.shown[run], rails[run], strict=True):
                rows.append(np.unique(np.concatenate([kept, shown[np.isin(shown % size, more % size)]])))
            ends[run, end] = tuple(rows)
    return ends


def triangles_of(piece: Survey, choices: tuple[Choice, ...], capped: bool) -> int:
    """Triangles of the level that the choices make, exactly."""
    patches = piece.patches
    total = sum(count_triangles(choice) for choice in choices)
    for fork in patches.forks:
        trunk, left, right = (
            choices[run].at(0 if end == 0 else len(choices[run].rings) - 1)
            for run, end in (fork.trunk, fork.left, fork.right)
        )
        size = patches.runs[fork.trunk[0]].points.shape[1]
        half = size // 2
        total += chain_edges(trunk)
        for chains, low, high in ((left, 0, half), (right, half, size)):
            for chain in chains:
                total += int(((chain[:-1] >= low) & (chain[1:] <= high)).sum())
        total += 2 + (2 if piece.shown[fork.trunk[0]][0][0] == 0 else 0)
    if capped:
        for _, _, run, end in port_ends(patches):
            rails = np.unique(
                np.concatenate(choices[run].at(0 if end == 0 else len(choices[run].rings) - 1))
                % patches.runs[run].points.shape[1]
            )
            total += max(len(rails) - 2, 0)
    return total


def tolerance_for(
    straight: Patches, triangles: int, options: Trimming | None = None, exact: Exact | None = None
) -> float:
    """The least tolerance, mm, at which a level of the straight piece has no more than so many triangles.

    Triangles are counted, none is made. ``exact`` is the piece's, where it is known.

    Raises
    ------
    DesignError
        If fewer triangles are given than close its strands at any tolerance.
    """
    options = options or Trimming()
    piece = survey(exact or exact_of(straight, options))
    girth = max(float(run.across[-1]) for run in straight.runs)

    def spent(tolerance: float) -> int:
        return triangles_of(piece, choose(piece, tolerance, even_out=False), options.capped)

    # The coarsest that is taken: strands off by a quarter of their girth are no strands any more.
    coarsest = girth / 4
    fewest = spent(coarsest)
    if fewest > triangles:
        raise DesignError(
            f"{triangles} triangles do not close the strands of {straight.name}",
            f"give at least {fewest} to this level, by more triangles or a larger share",
            "make.trim.triangles",
        )
    high = coarsest
    low = high / 4
    while spent(low) <= triangles:
        if low < FINEST * girth:
            return low
        high, low = low, low / 4
    while high > low * NEAR:
        middle = math.sqrt(low * high)
        if spent(middle) <= triangles:
            high = middle
        else:
            low = middle
    return high


def screen_tolerance(screen: Screen, distance: float) -> float:
    """How far off, mm, a point may be that is seen from ``distance`` m, for the pixels that the screen allows.

    A pixel in the middle of a perspective picture covers ``2 distance tan(field / 2) / height``.
    """
    covers = 2 * distance * math.tan(math.radians(screen.field_of_view) / 2) / screen.height
    return 1000.0 * screen.pixels * covers
