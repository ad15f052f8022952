"""The whole piece: strands, plate, frame, what it hangs by; as large and as heavy as asked. Lengths are mm.

The knot's scale is solved for the piece's size, and its thickness for the piece's mass (:mod:`.scaling`); all parts are
united (:mod:`.assembling`) and finished (:mod:`.finishing`). What is written is the model: the finished piece with the
allowances for finishing and shrinkage put on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..cycles import connected_labels
from ..design import Design
from ..mesh import Floats, Mesh
from . import finger
from .allowances import grown_by
from .assembling import Assembled, assemble, together
from .bodies import mesh_of
from .finishing import Finished, finish, model_of
from .hanging import Hang, hang
from .knot import Knot, knot_of, parts_of_map
from .options import Extent, Printing
from .process import limits_for
from .profiles import Profile
from .refusals import no_size, refuse, refuse_size
from .roundness import Rounded
from .scaling import BALANCED, centre_of_mass, grams, scale_for, size_off, thickness_for

EXACT = 0.005
"""How nearly the size is met, mm."""

Report = Callable[[float, str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece made.

    Attributes
    ----------
    bodies : tuple of Mesh
        The model's bodies: what is written.
    finished : tuple of Mesh
        The same without the allowances.
    scale : float
        What the design's plan was scaled by.
    thickness : float
        The strands' thickness in the finished piece.
    thicker : float
        What the design's own thickness, after scaling, was multiplied by.
    model_scale : float
        What the finished piece was scaled by for shrinkage.
    mass_g : float
        Of the finished piece.
    hang : Hang or None
    hang_at : (3,) float64 or None
        In the finished piece, the middle of the arc in which the chain lies: under it the piece comes to rest.
    creases, edges : Rounded
        What became of creases and of sharp edges.
    mark : (float, float, float, float) or None
        The flat area on the back: x and y of its lower left corner, width, height.
    notes : tuple of str
        What was done and why, in words.
    knot : Knot
    expected : int
        Bodies that the design's map predicts.
    unfilled : tuple of Mesh
        The finished piece before its creases are filled: on it walls and gaps are measured. What fills a crease makes
        no wall thinner, and an opening narrower only within the crease, where the fillet's own ball would be found.
    bore_at : (3,) float64 or None
        The middle of the bore through which the chain's end passes.
    """

    bodies: tuple[Mesh, ...]
    finished: tuple[Mesh, ...]
    scale: float
    thickness: float
    thicker: float
    model_scale: float
    mass_g: float
    hang: Hang | None
    hang_at: Floats | None
    creases: Rounded
    edges: Rounded
    mark: tuple[float, float, float, float] | None
    notes: tuple[str, ...]
    knot: Knot
    expected: int
    bore_at: Floats | None = None
    unfilled: tuple[Mesh, ...] = ()


def make_piece(
    design: Design,
    options: Printing | None = None,
    progress: Report | None = None,
    *,
    limits: Profile | None = None,
) -> Piece:
    """Make the piece that a design's ``make.print`` describes.

    Parameters
    ----------
    options : Printing, optional
        In place of the design's own.
    progress : callable, optional
        Called with a share of the work done and a stage's name; may raise to stop.
    limits : Profile, optional
        Of the process; the one that suits process and material where none is given.

    Raises
    ------
    DesignError
        It cannot be made; one line says what would do.
    """
    report = progress or (lambda _share, _stage: None)
    wanted = design.make.print if options is None else options
    if wanted.ring is not None:
        return _ring(design, wanted, report)
    refuse(design, wanted, limits_for(wanted) if limits is None else limits)
    report(0.02, "making the strands")
    knot = knot_of(design, 1.0, 1.0, wanted.rounding, wanted.tolerance)
    scale = scale_for(knot, wanted)
    if scale != 1.0:
        knot = knot_of(design, 1.0, scale, wanted.rounding, wanted.tolerance)
    thicker = 1.0
    report(0.35, "fitting the parts")
    if wanted.mass_g is not None:
        thicker, knot = thickness_for(design, knot, wanted, scale, wanted.mass_g)
    for _ in range(4):
        assembled = assemble(knot, wanted, scale)
        off = size_off(assembled.solids, wanted, scale, knot)
        if abs(off) <= EXACT:
            break
        assert wanted.size is not None
        scale *= wanted.size / (wanted.size + off)
    else:
        raise no_size(wanted, scale)
    report(0.6, "filling the creases")
    pieces = [finish(one, wanted, knot, scale) for one in assembled.solids]
    finished = tuple(mesh_of(one.vertices, one.triangles, k) for k, one in enumerate(pieces))
    weight = grams(finished, wanted)
    if wanted.mass_g is not None and abs(weight / wanted.mass_g - 1) > BALANCED:
        # the fillets have added a little: aim by as much lower
        goal = wanted.mass_g**2 / weight
        thicker, knot = thickness_for(design, knot, wanted, scale, goal, thicker)
        assembled = assemble(knot, wanted, scale)
        pieces = [finish(one, wanted, knot, scale) for one in assembled.solids]
        finished = tuple(mesh_of(one.vertices, one.triangles, k) for k, one in enumerate(pieces))
        weight = grams(finished, wanted)
    report(0.85, "putting the allowances on")
    grow = grown_by(wanted.shrinkage)
    bodies = tuple(model_of(one, wanted.finishing, grow) for one in finished)
    refuse_size(bodies)
    centre = centre_of_mass(finished)
    return Piece(
        bodies=bodies,
        finished=finished,
        scale=scale,
        thickness=knot.thickness * scale,
        thicker=thicker,
        model_scale=grow,
        mass_g=weight,
        hang=None if assembled.by is None else hang(assembled.by.at, centre),
        hang_at=None if assembled.by is None else assembled.by.at,
        creases=together([one.creases for one in pieces]),
        edges=assembled.edges or Rounded(0.0, None, None, 0.0),
        mark=assembled.mark,
        notes=_notes(wanted, scale, thicker, knot, grow),
        knot=knot,
        expected=_expected(knot, assembled),
        bore_at=None if assembled.by is None else assembled.by.bore,
        unfilled=_unfilled(pieces),
    )


def _ring(design: Design, wanted: Printing, report: Report) -> Piece:
    """A finger ring: see :mod:`.finger`."""
    finger.refuse(design, wanted)
    made = finger.banded(design, wanted, report)
    report(0.6, "filling the creases")
    done = finish(made.solid, wanted, made.knot, 1.0)
    finished = (mesh_of(done.vertices, done.triangles),)
    report(0.85, "putting the allowances on")
    grow = grown_by(wanted.shrinkage)
    bodies = tuple(model_of(one, wanted.finishing, grow) for one in finished)
    refuse_size(bodies)
    return Piece(
        bodies=bodies,
        finished=finished,
        scale=1.0,
        thickness=made.knot.thickness,
        thicker=1.0,
        model_scale=grow,
        mass_g=grams(finished, wanted),
        hang=None,
        hang_at=None,
        creases=done.creases,
        edges=Rounded(0.0, None, None, 0.0),
        mark=None,
        notes=(*finger.notes(made, wanted), *_notes(wanted, 1.0, 1.0, made.knot, grow)),
        knot=made.knot,
        expected=1,
        unfilled=_unfilled([done]),
    )


def _unfilled(pieces: Sequence[Finished]) -> tuple[Mesh, ...]:
    return tuple(mesh_of(*one.bare, k) for k, one in enumerate(pieces))


def _expected(knot: Knot, assembled: Assembled) -> int:
    """Bodies that the map predicts, fewer by as many as plate, frame and fittings join; nothing united is looked at.

    Each connected part of plate, frame and fittings joins those parts of the knot that it reaches into.
    """
    parts = parts_of_map(knot.made)
    if knot.free or parts == 1:
        return parts
    strands = [] if assembled.strands is None else assembled.strands.decompose()
    joiners = [each for joiner in assembled.joiners for each in joiner.decompose()]
    links = [
        (k, len(strands) + j)
        for k, part in enumerate(strands)
        for j, joiner in enumerate(joiners)
        if (part ^ joiner).volume() > 1e-6
    ]
    one, other = np.array(links, np.int64).reshape(-1, 2).T
    label = connected_labels(len(strands) + len(joiners), one, other)
    return parts - len(strands) + len(np.unique(label[: len(strands)]))


def _notes(wanted: Printing, scale: float, thicker: float, knot: Knot, grow: float) -> tuple[str, ...]:
    notes = []
    if wanted.size is not None:
        over = "the whole piece, its fittings included" if wanted.size_of is Extent.PIECE else "the knot alone"
        notes.append(f"plan scaled by {scale:.5f} so that {over} measures {wanted.size:g} mm when finished")
    if wanted.mass_g is not None:
        notes.append(
            f"strands made {knot.thickness * scale:.3f} mm thick ({thicker:.4f} of the design's own, steps with them) "
            f"so that the finished piece weighs {wanted.mass_g:g} g in {wanted.material}"
        )
    if wanted.shrinkage:
        notes.append(
            f"model scaled by 1 / (1 - {wanted.shrinkage:g} %) = {grow:.6f}, since the casting loses "
            f"{wanted.shrinkage:g} % of length in mould and metal; measure your own caster's figure on a test piece"
        )
    if wanted.finishing:
        notes.append(
            f"every face moved out by {wanted.finishing:g} mm before scaling, since filing and polishing take as much "
            "off again"
        )
    if not (wanted.shrinkage or wanted.finishing):
        notes.append("no allowance for shrinkage or finishing: the model has the size of the finished piece")
    return tuple(notes)
