"""The whole kit of a design: its pieces cut, chosen at every level, laid on their sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..design import Design
from ..errors import DesignError
from ..progress import Progress
from . import parts
from .budget import screen_tolerance, tolerance_for
from .card import card_mesh
from .cutting import SeamRing, cut_piece, seam_rings
from .exact import Exact, exact_of
from .finishing import finished
from .kit import Kit, Level, Piece, Sheet, TrimMesh
from .levels import choose_seams, exact_seams, fine_mesh, make_level
from .options import Part, Trimming
from .parts import PieceDesign
from .patches import Patches
from .pattern import Pattern, divides, one_repeat, pattern_of, plain
from .sheet import coarse
from .straights import best_phase, cut_straight, swept

LED = 0.05
"""Strands led over by more than this share of their width to meet a seam are told of."""
FAR = 0.25
"""Strands that would be led over by more lie over where their neighbours lie under."""


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A piece cut, ready for its levels."""

    plan: PieceDesign
    patches: Patches


def make_kit(design: Design, options: Trimming | None = None, progress: Progress | None = None) -> Kit:
    """Make the kit that a design's ``make.trim`` describes.

    Parameters
    ----------
    design : Design
        On a flat strip.
    options : Trimming, optional
        In place of the design's own.
    progress : callable, optional
        Called with a share of the work done and a stage's name; may raise to stop.

    Raises
    ------
    DesignError
        It cannot be made; one line says what would do.
    """
    show: Progress = progress or (lambda _share, _stage: None)
    if options is not None:
        design = replace(design, make=replace(design.make, trim=options))
    wanted = design.make.trim
    show(0.02, "setting out the strip")
    filled = one_repeat(design)
    phase = best_phase(filled)
    patterns = {"run": pattern_of(filled, phase)}
    if divides(filled) and Part.CHANGE in wanted.pieces:
        patterns["plain"] = pattern_of(plain(filled), phase)
    straights = [_straight(pattern, profile) for profile, pattern in patterns.items()]
    seams = {profile: seam_rings(one.patches) for profile, one in zip(patterns, straights, strict=True)}
    cuts, notes, width = list(straights), [], float(filled.strand.width or 0.0)
    pattern = patterns["run"]
    builders = list(_builders(pattern, wanted, "plain" in patterns))
    if builders and pattern.strip.lower_edge is not pattern.strip.upper_edge:
        builders = []
        notes.append(
            "left out: all but straight pieces: strands cross on one edge of the strip alone; "
            "cross them on both edges, or on none"
        )
    for k, build in enumerate(builders):
        show(0.05 + 0.3 * k / len(builders), "cutting pieces")
        cut, said = _cut(build(), pattern, seams, width)
        cuts += cut
        notes += said
    if Part.STRAIGHT not in wanted.pieces:
        notes.append("the straight piece is in every kit: all others are fitted to it")
    pieces = _levelled(cuts, straights, wanted, lambda share: show(0.35 + 0.5 * share, "choosing levels"))
    pieces = [*_longer(pieces, wanted), *_modular(pieces, wanted, pattern)]
    show(0.88, "laying the sheet")
    period = pattern.columns * pattern.strip.cell_width
    ordered = sorted(pieces, key=lambda one: one.name)
    done, sheet = finished(ordered, wanted.textures, period, pattern.reach)
    heights = np.concatenate([one.fine.positions[:, 2] for one in done])
    return Kit(
        design,
        done,
        sheet,
        period,
        pattern.reach,
        float(heights.min()),
        float(heights.max()),
        tuple(notes),
        _coarse(design, sheet),
    )


def _coarse(design: Design, sheet: Sheet) -> tuple[str, ...]:
    """What the sheet has too few texels for."""
    from ..sizing import sizes

    size = sizes(design)
    gap = size.gap if divides(design) else size.background
    return coarse(sheet, size.width, gap)


def _builders(pattern: Pattern, wanted: Trimming, changes: bool) -> Iterator[Callable[[], PieceDesign]]:
    """What designs the pieces that are wanted, but for straight ones."""
    for part, sign in ((Part.INNER, 1.0), (Part.OUTER, -1.0)):
        if part in wanted.pieces:
            for angle in dict.fromkeys(wanted.corners):
                yield lambda turn=sign * angle: parts.corner(pattern, turn)  # type: ignore[misc]
    if Part.CAP in wanted.pieces:
        yield lambda: parts.cap_ahead(pattern)
        yield lambda: parts.cap_behind(pattern)
    if Part.TEE in wanted.pieces:
        yield lambda: parts.tee(pattern)
    if Part.CROSS in wanted.pieces:
        yield lambda: parts.cross(pattern)
    if changes:
        yield lambda: parts.change(pattern, True)
        yield lambda: parts.change(pattern, False)


def _straight(pattern: Pattern, profile: str) -> _Cut:
    """The straight piece of a profile, cut."""
    name = "straight" if profile == "run" else f"straight-{profile}"
    return _Cut(parts.straight(pattern, name, profile), cut_straight(pattern, name, profile))


def _cut(
    plan: PieceDesign, pattern: Pattern, seams: dict[str, dict[int, SeamRing]], width: float
) -> tuple[list[_Cut], list[str]]:
    """A piece cut, or none where the kit cannot have it; and what is to be told of it."""
    try:
        found = swept(plan)
        patches, moved = cut_piece(plan, found.strands, found.partings, pattern.reach, width, seams)
    except DesignError as error:
        return [], [f"left out: {plan.name}: {error.problem}; {error.remedy}"]
    fails = found.made.counted.weaving.exceptions
    if moved > FAR * width:
        return [], [
            f"left out: {plan.name}: the weave does not go on alternating through its joints; "
            "leave forks or breaks near the ends of the repeat out"
        ]
    said = []
    if fails:
        said.append(f"{plan.name}: the weave fails to alternate at {fails} place{'s' if fails > 1 else ''} inside")
    elif moved > LED * width:
        said.append(f"{plan.name}: strands are led over by {moved:.2f} mm to meet its neighbours")
    return [_Cut(plan, patches)], said


def _levelled(
    cuts: Sequence[_Cut], straights: Sequence[_Cut], wanted: Trimming, show: Callable[[float], None]
) -> list[Piece]:
    """Every piece at every level."""
    exacts = [exact_of(cut.patches, wanted) for cut in straights]
    bases = [cut.patches for cut in straights]
    tolerances = _tolerances(exacts[0], wanted)
    seams = [choose_seams(bases, tolerance, wanted, exacts) for tolerance in tolerances]
    at_ports = exact_seams(exacts, wanted)
    pieces = []
    for k, cut in enumerate(cuts):
        exact = exacts[k] if k < len(exacts) else exact_of(cut.patches, wanted)
        levels = []
        for number, (tolerance, seam) in enumerate(zip(tolerances, seams, strict=True)):
            show((k + number / len(tolerances)) / len(cuts))
            mesh, off = make_level(cut.patches, tolerance, wanted, seam, exact)
            levels.append(Level(mesh, tolerance, off))
        fine = fine_mesh(cut.patches, wanted, at_ports, exact)
        if wanted.card:
            # a card lies where the ground is: what is baked on it stands above
            low = float(fine.positions[:, 2].min())
            height = float(fine.positions[:, 2].max()) - low
            levels.append(Level(card_mesh(cut.patches, low + height / 2), height / 2, height / 2, card=True))
        pieces.append(
            Piece(
                cut.plan.name,
                cut.plan.part,
                cut.patches.ports,
                cut.patches.box,
                fine,
                tuple(levels),
                abs(cut.plan.turn),
                1 if cut.plan.part is Part.STRAIGHT else 0,
            )
        )
    return pieces


def _tolerances(straight: Exact, wanted: Trimming) -> list[float]:
    """How far off each level may be, mm."""
    budget = wanted.triangles // wanted.repeats
    if wanted.screen is not None:
        least = tolerance_for(straight.patches, budget, wanted, straight)
        return [max(screen_tolerance(wanted.screen, distance), least) for distance in wanted.screen.distances]
    shares = [math.floor(budget * share / 100 + 1e-9) for share in wanted.levels]
    return [tolerance_for(straight.patches, share, wanted, straight) for share in shares]


def _longer(pieces: list[Piece], wanted: Trimming) -> list[Piece]:
    """Straight pieces of as many repeats as are wanted."""
    if wanted.repeats == 1:
        return pieces
    return [_repeated(one, wanted.repeats, 1.0, one.name) if one.part is Part.STRAIGHT else one for one in pieces]


def _modular(pieces: list[Piece], wanted: Trimming, pattern: Pattern) -> list[Piece]:
    """Straight pieces of set lengths, whole repeats stretched to fit.

    Raises
    ------
    DesignError
        No number of repeats fits a length within the stretch that is allowed.
    """
    base = next(one for one in pieces if one.name == "straight")
    period = pattern.columns * pattern.strip.cell_width
    made = []
    for length in dict.fromkeys(wanted.lengths):
        exact = length / (period * base.repeats)
        count = max(1, round(exact))
        by = length / (count * period * base.repeats)
        if abs(by - 1) > wanted.stretch / 100 + 1e-9:
            near = sorted({max(1, math.floor(exact)), max(1, math.ceil(exact))})
            fit = " or ".join(f"{n * period * base.repeats:g}" for n in near)
            raise DesignError(
                f"{length:g} mm is no whole number of repeats of {period:g} mm within {wanted.stretch:g} percent",
                f"give {fit} mm, or allow {100 * abs(by - 1):.3g} percent",
                "make.trim.lengths",
            )
        name = f"straight-{length:04.0f}" if length == round(length) else f"straight-{length:g}".replace(".", "-")
        made.append(_repeated(base, count, by, name))
    return made


def _repeated(piece: Piece, count: int, by: float, name: str) -> Piece:
    """A straight piece several times end to end, stretched along the run."""
    length = piece.ports[1].at[0]
    end = round(count * length * by, 9)
    x0, y0, _, y1 = piece.box

    def grown(mesh: TrimMesh) -> TrimMesh:
        return _tiled(mesh, count, length, by, end)

    return replace(
        piece,
        name=name,
        ports=(piece.ports[0], replace(piece.ports[1], at=(end, 0.0))),
        box=(x0, y0, end, y1),
        fine=grown(piece.fine),
        levels=tuple(replace(level, mesh=grown(level.mesh)) for level in piece.levels),
        repeats=piece.repeats * count,
        stretched=by,
    )


def _tiled(mesh: TrimMesh, count: int, length: float, by: float, end: float) -> TrimMesh:
    """A mesh several times end to end; at its outer ends as it was, to the bit."""
    size, faces = len(mesh.positions), len(mesh.triangles)
    step = np.repeat(np.arange(count), size)
    positions = np.tile(mesh.positions, (count, 1))
    positions[:, 0] = (positions[:, 0] + step * length) * by
    normals = np.tile(mesh.normals, (count, 1))
    patch = int(mesh.patch.max(initial=-1)) + 1
    start, stop = mesh.seam[0], mesh.seam[1] + (count - 1) * size  # a card has none there
    if by != 1.0:
        turned = normals / [by, 1.0, 1.0]
        turned /= np.linalg.norm(turned, axis=1)[:, None]
        inner = np.ones(len(normals), bool)
        inner[start] = inner[stop] = False
        normals = np.where(inner[:, None], turned, normals)
    positions[stop, 0] = end
    return replace(
        mesh,
        positions=positions,
        normals=normals,
        triangles=(np.tile(mesh.triangles, (count, 1)) + np.repeat(np.arange(count) * size, faces)[:, None]).astype(
            np.int32
        ),
        strand=np.tile(mesh.strand, count),
        along=np.tile(mesh.along, count) + step * length,
        across=np.tile(mesh.across, count),
        seam=(start, stop),
        patch=np.tile(mesh.patch, count) + np.repeat(np.arange(count) * patch, faces),
        uv=np.tile(mesh.uv, (count, 1)),
        light_uv=np.tile(mesh.light_uv, (count, 1)),
        tangents=np.tile(mesh.tangents, (count, 1)),
    )
