"""A piece's exact surface as levels are chosen from it and measured against it: made once, passed on to every level."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .choosing import Chains, Chords, looped
from .nearest import Surface, surface
from .net import Choice, Net, build_net
from .options import Trimming
from .patches import Patches
from .shading import chains_of, shown_columns

Tables = dict[tuple[int, tuple[tuple[int, ...], ...], int], Chords]
"""Tables of chords by run, kept rails and doubling of the tolerance."""


@dataclass(frozen=True, slots=True, eq=False)
class Exact:
    """A piece with all its rings and shown rails.

    Attributes
    ----------
    patches : Patches
    shown : tuple of Chains
        Rails of every run that is seen; see :func:`.shading.chains_of`.
    choices : tuple of Choice
        All that is shown.
    net : Net
        Of these choices.
    surface : Surface
        Its triangles, for distances.
    tables : dict
        What facets would be off, filled as levels are chosen.
    """

    patches: Patches
    shown: tuple[Chains, ...]
    choices: tuple[Choice, ...]
    net: Net
    surface: Surface
    tables: Tables = field(default_factory=dict)


def exact_of(patches: Patches, options: Trimming | None = None) -> Exact:
    """The exact surface of a piece, whose runs end at ports and forks alone."""
    underside = (options or Trimming()).underside
    shown = tuple(chains_of(shown_columns(run, underside)) for run in patches.runs)
    choices = tuple(
        Choice(np.arange(len(looped(run)[0])), chains) for run, chains in zip(patches.runs, shown, strict=True)
    )
    net = build_net(patches, choices)
    return Exact(patches, shown, choices, net, surface(net.points[net.point[net.triangles]]))
