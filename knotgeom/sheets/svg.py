"""One page as SVG 1.1 in mm: a group for each kind of line, in the order in which they are drawn."""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ..mesh import Floats
from .paper import Ink, Item, Page, Pen, Shape, Words


def svg(page: Page, title: str) -> Iterator[bytes]:
    """The file in pieces. 1 unit is 1 mm, y downwards from the upper left corner, as SVG has it."""
    width, height = _n(page.width), _n(page.height)
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">\n<title>{escape(_printable(title))}</title>\n'
    ).encode()
    layers: dict[str, list[Item]] = {}
    for item in page.items:
        assert isinstance(item, Shape | Words)  # an SVG is one page, which needs no insets
        layers.setdefault(item.layer, []).append(item)
    for layer, items in layers.items():
        yield f"<g id={quoteattr(layer)}>\n<title>{escape(layer)}</title>\n".encode()
        for item in items:
            yield (_words(item, page.height) if isinstance(item, Words) else _shape(item, page.height)).encode()
        yield b"</g>\n"
    yield b"</svg>\n"


def _n(value: float, places: int = 3) -> str:
    text = f"{value:.{places}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _colour(ink: Ink) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in ink)


def _words(item: Words, height: float) -> str:
    weight = ' font-weight="bold"' if item.bold else ""
    anchor = "" if item.anchor == "start" else f' text-anchor="{item.anchor}"'
    words = escape(_printable(item.text))
    return (
        f'<text x="{_n(item.x)}" y="{_n(height - item.y)}" font-family="Helvetica, Arial, sans-serif" '
        f'font-size="{_n(item.size)}" fill="{_colour(item.ink)}"{weight}{anchor}>{words}</text>\n'
    )


def _printable(text: str) -> str:
    """Text without the control characters that XML cannot hold."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _shape(item: Shape, height: float) -> str:
    pen: Pen = item.pen
    look = [f'fill="{"none" if pen.fill is None else _colour(pen.fill)}"']
    if pen.width:
        look.append(f'stroke="{_colour(pen.ink)}" stroke-width="{_n(pen.width)}" stroke-linejoin="round"')
        if not pen.butt:
            look.append('stroke-linecap="round"')
        if pen.dash:
            look.append(f'stroke-dasharray="{" ".join(_n(part) for part in pen.dash)}"')
    paths = [_path(points, closed, height) for points, closed in item.lines]
    if item.whole or pen.fill is not None:
        return f'<path {" ".join(look)} d="{" ".join(paths)}"/>\n'
    # a path for each line, so that a program can pick each by itself
    body = "".join(f'<path d="{path}"/>\n' for path in paths)
    return f"<g {' '.join(look)}>\n{body}</g>\n"


def _path(points: Floats, closed: bool, height: float) -> str:
    down = np.stack([points[:, 0], height - points[:, 1]], 1)
    return ("M" + " ".join(["%.3f,%.3f"] * len(points)) + ("Z" if closed else "")) % tuple(down.ravel().tolist())
