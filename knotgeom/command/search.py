"""Verbs that search for remedies, and write a design with one of them."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from ..errors import DesignError
from .output import refuse_output
from .talk import read, say, shown_progress, within

if TYPE_CHECKING:
    from ..design import Design


def mend(options: argparse.Namespace) -> None:
    """Search for changes of dividing that lessen exceptions."""
    design = _to_remedy(options)
    from .. import dividing, mending

    with within(options.file), shown_progress() as progress:
        search = dividing.find_dividings(design, trials=options.trials, progress=progress)
    _take(options, search.remedies, mending.told_dividings(search))


def circuits(options: argparse.Namespace) -> None:
    """Search for the fewest breaks that join or part circuits."""
    design = _to_remedy(options)
    from .. import mending, merging
    from ..reading import check

    symmetries, order = options.symmetry
    with within(options.file), shown_progress() as progress:
        check(design)
        search = merging.find_breaks(design, options.count, symmetries, order, progress=progress)
    _take(options, search.remedies, mending.told_breaks(search, symmetries, order))


def _to_remedy(options: argparse.Namespace) -> Design:
    """The design to find remedies for, after making sure that a remedy taken can be written."""
    if options.output is None and (options.take is not None or options.replace):
        given = "--take" if options.take is not None else "--replace"
        raise DesignError(f"{given} goes with -o", "add -o and a name for the changed design")
    design = read(options.file)
    if options.output is not None:
        refuse_output(options.output, source=options.file, replace=options.replace)
    return design


def _take(options: argparse.Namespace, remedies: Any, told: dict[str, Any]) -> None:
    """Write the design with the remedy that is asked for, and print all of them as one JSON object."""
    if options.output is not None:
        from .. import mending

        number = options.take or 1
        with within(options.file):
            design = mending.taken(remedies, number)
        mending.write_design(design, options.file, options.output, new=not options.replace)
        told = {**told, "taken": number}
    say(json.dumps(told, indent=2, allow_nan=False))
