"""The strands of a design as a maker of pendants needs them: united or free, as thick and as large as asked. mm."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..cycles import connected_labels
from ..design import Design, Making, Section, Sizes, Strand
from ..errors import DesignError
from ..made import Made, make, no_mesh, solid
from ..mesh import Floats, Ints, all_triangles
from ..progress import Progress
from ..sections import EASING, outlines
from ..selfcut import crossing_pairs
from ..sizing import sizes
from .bodies import solid_of

ARC = 3
"""Points of a rounded corner of the section."""
CLEAR = 0.95
"""Share of their clearance that free strands keep at least as they are meshed."""


@dataclass(frozen=True, slots=True, eq=False)
class Knot:
    """Strands before anything is fitted to them, at the design's own scale.

    Attributes
    ----------
    made : Made
    vertices, triangles
        The united strands; or all free ones.
    bodies : tuple of (vertices, triangles)
        Free strands one by one; empty for united ones.
    under : float
        The highest underside of any strand: a plate up to here carries them all.
    width : float
        Of the narrowest run of strand, a half where strands are divided.
    thickness : float
    """

    made: Made
    vertices: Floats
    triangles: Ints
    bodies: tuple[tuple[Floats, Ints], ...]
    under: float
    width: float
    thickness: float

    @property
    def free(self) -> bool:
        """Whether strands are separate linked bodies."""
        return self.made.design.heights.way is Making.FREE


def knot_of(
    design: Design, thicker: float, scale: float, rounding: float, tolerance: float, progress: Progress | None = None
) -> Knot:
    """Make the strands of a design.

    Parameters
    ----------
    thicker : float
        The strands' thickness, and with it the step at crossings, is multiplied by this.
    scale : float
        What the knot will be scaled by later: rounding, tolerance and clearance are lengths after that.
    rounding : float
        Radius of the section's lower corners, mm.
    tolerance : float
        How far the mesh may lie off the true surface, mm.

    Raises
    ------
    DesignError
        No strand can be made, or they unite to no sound solid.
    """
    size = _sizes(design)
    strand = replace(design.strand, thickness=size.thickness * thicker)
    heights = design.heights
    if heights.way is Making.FREE:
        heights = replace(heights, clearance=size.clearance / scale)
    else:
        heights = replace(heights, step=size.step * thicker)
    if strand.groove.depth is not None:
        strand = replace(strand, groove=replace(strand.groove, depth=strand.groove.depth * thicker))
    size = replace(size, thickness=size.thickness * thicker)
    widths = [size.half_width if design.divide.all else size.width]
    widths += [style.width for style in strand.circuits if style.width is not None]
    size = replace(size, arc=arc_points(strand, size, tolerance / scale - bend_error(size), max(widths)))
    strand = replace(strand, section=eased(strand, size, rounding / scale))
    design = replace(design, strand=strand, heights=heights)
    free = heights.way is Making.FREE
    for fine in (True,) if finely(size, scale, tolerance) else (False, True):
        made = make(design, fine=fine, prove=0, progress=progress)
        if made.mesh is None or made.drawn is None:
            raise no_mesh(made)
        mesh = made.mesh if free else solid(made, arc=size.arc)
        triangles = all_triangles(mesh).astype(np.int64)
        bodies = _apart(mesh.vertices, triangles) if free else ()
        # what is united has been looked through already: none of its triangles cross
        if not free or _is_clear(mesh.vertices, triangles, bodies, CLEAR * size.clearance / scale):
            break
    else:
        raise DesignError(
            "free strands would touch each other or themselves, though their middles keep apart",
            f"make the strands narrower than {size.width:g} mm, or the cells larger",
            "strand.width",
        )
    parted = bool(made.counted.strand_map.divided.any() or made.counted.strand_map.loops_divided)
    z = made.drawn.relief.z
    under = float(z.max()) - size.thickness / 2 if len(z) else float(mesh.vertices[:, 2].min())
    width = size.half_width if parted else made.counted.narrowest.width
    return Knot(made, mesh.vertices, triangles, bodies, under, width, size.thickness)


def _sizes(design: Design) -> Sizes:
    return sizes(design)


def finely(size: Sizes, scale: float, tolerance: float) -> bool:
    """Whether the coarse sampling lies farther than ``tolerance`` off a bend as tight as bends usually are."""
    return bend_error(size) * scale > tolerance


def bend_error(size: Sizes) -> float:
    """How far the coarse sampling lies off a bend as tight as bends usually are, mm at the design's own scale."""
    spacing = size.pitch * math.sqrt(2) / 2 / 6  # about a sixth of the step between two crossings
    return spacing**2 / (8 * 0.75 * size.width)


def arc_points(strand: Strand, size: Sizes, most: float, widest: float) -> int:
    """Fewest points of an eased edge whose chords lie within ``most`` mm of its arc; never more than usual."""
    dome = strand.section is Section.HALF_ROUND
    for points in range(3 if dome else 2, size.arc):
        if dome:
            radius, steps = max(widest / 2, size.thickness), 3 * points - 3
        else:
            radius, steps = min(EASING * size.thickness, 0.2 * widest), points - 1
        if radius * (1 - math.cos(math.pi / 4 / steps)) <= most:
            return points
    return size.arc


def eased(strand: Strand, size: Sizes, radius: float) -> Section | tuple[tuple[float, float], ...]:
    """The strand's section with its sharp lower corners rounded; those that are eased already stay as they are."""
    if radius <= 0 or strand.section not in (Section.HALF_ROUND, Section.PEAKED):
        return strand.section
    across, up = (row[0] for row in outlines(strand, size, np.array([size.width])))
    points = np.stack([across, up], 1)
    out: list[Floats] = []
    for before, here, after in zip(np.roll(points, 1, 0), points, np.roll(points, -1, 0)):
        one, other = before - here, after - here
        near, far = float(np.linalg.norm(one)), float(np.linalg.norm(other))
        turn = math.pi - math.acos(float(np.clip(one @ other / (near * far), -1, 1)))
        if turn < math.radians(30) or here[1] > 0:
            out.append(here)
            continue
        reach = min(radius * math.tan(turn / 2), 0.45 * near, 0.45 * far)
        start, end = here + one / near * reach, here + other / far * reach
        share = np.linspace(0.0, 1.0, ARC)[:, None]
        out += list((1 - share) ** 2 * start + 2 * share * (1 - share) * here + share**2 * end)
    rounded = np.array(out)
    return tuple((float(x), float(y)) for x, y in rounded)


def _is_clear(vertices: Floats, triangles: Ints, bodies: tuple[tuple[Floats, Ints], ...], least: float) -> bool:
    """Whether free strands nowhere pass through anything and every two are ``least`` apart, as their meshes are."""
    if len(crossing_pairs(vertices, triangles)):
        return False
    solids = [solid_of(*body) for body in bodies]
    return all(one.min_gap(other, 2 * least) >= least for k, one in enumerate(solids) for other in solids[:k])


def parts_of_map(made: Made) -> int:
    """How many bodies the strands of a design are by its map alone, without any mesh.

    United strands hang together where they cross and fork; free ones are joined by forks only and pass through their
    crossings. Loops without a crossing stand alone; divided, they are two where their halves lie apart.
    """
    strands = made.counted.strand_map
    crossings, count = strands.crossings, strands.end_count
    free = made.design.heights.way is Making.FREE
    end = np.arange(count)
    # slots go anticlockwise round a node: at a crossing the strand goes on two slots farther
    corner = end[: 4 * crossings].reshape(-1, 4)
    prong = end[4 * crossings :].reshape(-1, 3)
    through = [(corner[:, 0], corner[:, 2]), (corner[:, 1], corner[:, 3])]
    if not free:
        through.append((corner[:, 0], corner[:, 1]))
    joins = [(strands.ends[:, 0], strands.ends[:, 1]), *through, (prong[:, 0], prong[:, 1]), (prong[:, 1], prong[:, 2])]
    one, other = (np.concatenate(side) for side in zip(*joins))
    closed = len(np.unique(connected_labels(count, one, other))) if count else 0
    loops = int((np.diff(made.counted.circuits.visit_start) == 0).sum())
    halved = strands.loops_divided and (free or made.counted.size.gap > 0)
    return closed + loops * (2 if halved else 1)


def _apart(vertices: Floats, triangles: Ints) -> tuple[tuple[Floats, Ints], ...]:
    """The connected parts of a mesh, in the order of their first vertices."""
    label = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    parts = []
    for part in np.unique(label[triangles[:, 0]]):
        faces = triangles[label[triangles[:, 0]] == part]
        used, numbered = np.unique(faces, return_inverse=True)
        parts.append((vertices[used], np.asarray(numbered).reshape(-1, 3)))
    return tuple(parts)
