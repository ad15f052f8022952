"""The design on its object: one text, written whole, with what was last made of it.

Blender does not save values that equal a property's default, and defaults may change between versions; so the design
is kept as the text of its own file. Everything that the sidebar shows is read from that text and written back to it,
so there is no second copy that undo, duplication or appending could leave behind.
"""

import functools
import hashlib
import json

import numpy as np

from . import core

DesignError = core.errors.DesignError


def is_knot(obj):
    """Whether an object holds a design."""
    return obj is not None and obj.type == "MESH" and bool(obj.relief_knot.text)


def is_ours(obj):
    """Whether object and mesh belong to this file and may be written to; linked ones may not."""
    return obj.library is None and obj.override_library is None and obj.data.library is None


def active_knot(context):
    """The active object if it is a knot, else None."""
    obj = context.object
    return obj if is_knot(obj) else None


@functools.lru_cache(maxsize=64)
def parse(text):
    """What a text says: the design as far as it can be read, and the DesignError against it, either of them None.

    A design that can be read but not made (a strand wider than its pitch) comes with its error, so that the sidebar
    can show the very value that has to be put right.
    """
    try:
        return core.reading.read_text(text), None
    except DesignError as error:
        try:
            return core.reading.DESIGN.read(core.jsontext.parsed(text), ""), error
        except DesignError:
            return _unreadable.get(text), error


_unreadable = {}
"""Designs of this session that their own text cannot give back, such as one with a width of 0 just typed."""


def design_of(obj):
    """The design on an object; where its text cannot be read, the last one of which a mesh was made, or None."""
    knot = obj.relief_knot
    return parse(knot.text)[0] or (parse(knot.made)[0] if knot.made else None)


def readable(obj):
    """The design on an object, of which something can be made.

    Raises
    ------
    DesignError
    """
    design, wrong = parse(obj.relief_knot.text)
    if wrong is not None:
        raise wrong
    return design


def write(obj, design):
    """Put a design on an object. The mesh is left alone: see ``rebuild``.

    Raises
    ------
    DesignError
        Where the design cannot even be written down, as with a length that is no number.
    """
    try:
        text = core.reading.write_text(design)
    except ValueError:
        core.reading.check(design)
        raise
    if text != obj.relief_knot.text:
        if parse(text)[0] is None:
            _unreadable[text] = design
            parse.cache_clear()
        obj.relief_knot.text = text


MIGRATIONS = {}
"""By a version of the design file: the function that turns its JSON object into one of the next version."""


def migrated(text):
    """A design's text brought up to this version; as it is where it needs nothing or cannot be read."""
    found = core.jsontext.kept(text)
    if not isinstance(found.get("interlace"), int) or found["interlace"] not in MIGRATIONS:
        return text
    while found.get("interlace") in MIGRATIONS:
        found = MIGRATIONS[found["interlace"]](found)
    return json.dumps(found, indent=2)


def digest(text, units_per_mm):
    """What a mesh is made of, in short: the same for the same design at the same scale."""
    return hashlib.sha256(f"{units_per_mm!r} {text}".encode()).hexdigest()[:32]


def report_of(obj):
    """What was said of the last design made: "facts", "findings", "seconds" and "volume_mm3"."""
    return _report(obj.relief_knot.report)


_FINDING = {"kind", "place", "value", "remedy", "at", "changes"}


@functools.lru_cache(maxsize=64)
def _report(text):
    found = {"facts": {}, "findings": [], "seconds": 0.0, "volume_mm3": None} | core.jsontext.kept(text)
    told = found["findings"] if isinstance(found["findings"], list) else []
    found["findings"] = [finding for finding in told if isinstance(finding, dict) and finding.keys() >= _FINDING]
    found["facts"] = found["facts"] if isinstance(found["facts"], dict) else {}
    return found


def volume(mesh):
    """Contents of a closed core mesh in mm\u00b3, what lies in two strands counted twice; None without a mesh."""
    if mesh is None:
        return None
    x, y, z = np.ascontiguousarray(mesh.vertices.T)

    def area(p, q, r):
        """Twice the areas of triangles seen from above."""
        return (x[q] - x[p]) * (y[r] - y[p]) - (y[q] - y[p]) * (x[r] - x[p])

    # what stands between each face and the ground; a quadrangle that is not flat counts as the mean of both its folds
    a, b, c, d = np.asarray(mesh.quads).T.astype(np.int64)
    without_d, without_b, without_c = area(a, b, c), area(a, c, d), area(a, b, d)
    both = without_d + without_b
    without_a = both - without_c
    lying = without_d * z[d] + without_b * z[b] + without_c * z[c] + without_a * z[a]
    total = np.sum(both * (z[a] + z[b] + z[c] + z[d])) - np.sum(lying) / 2
    a, b, c = np.asarray(mesh.triangles).T.astype(np.int64)
    total += np.sum(area(a, b, c) * (z[a] + z[b] + z[c]))
    return float(f"{total / 6:.5g}")


def write_report(obj, made, seconds, contents):
    """Keep what the panels show of what was made; ``contents`` is the mesh's :func:`volume`."""
    findings = [
        {
            "kind": f.kind,
            "place": f.place,
            "value": f.value,
            "remedy": f.remedy,
            "at": f.at,
            "changes": [list(change) for change in f.changes],
        }
        for f in made.findings
    ]
    facts = {key: value for key, value in made.facts.items() if key != "findings"}
    obj.relief_knot.report = json.dumps(
        {"facts": facts, "findings": findings, "seconds": round(seconds, 4), "volume_mm3": contents},
        default=str,
    )
