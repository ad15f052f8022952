"""Pages as PDF 1.4: vectors and the standard fonts only, uncompressed, so that the same pages give the same bytes.

Written to ISO 32000-1 (which holds PDF 1.4's parts used here): lengths are 1/72 in from the lower left corner. A
drawing that several pages show is stored once, as a form.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

from .paper import Document, Inset, Item, Pen, Shape, Words, width_of

POINT = 72 / 25.4
"""Points to the mm."""


def pdf(document: Document) -> Iterator[bytes]:
    """The file in pieces."""
    names = {name: f"X{number}" for number, name in enumerate(document.drawings)}
    objects: list[bytes] = [b"", b""]  # catalog and page tree, filled in below
    fonts = []
    for face in ("Helvetica", "Helvetica-Bold"):
        objects.append(f"<< /Type /Font /Subtype /Type1 /BaseFont /{face} /Encoding /WinAnsiEncoding >>".encode())
        fonts.append(len(objects))
    font = f"/Font << /F1 {fonts[0]} 0 R /F2 {fonts[1]} 0 R >>"
    forms = []
    for name, items in document.drawings.items():
        body = "\n".join(_items(items)).encode("latin-1")
        reach = "-10000 -10000 10000 10000"
        head = f"<< /Type /XObject /Subtype /Form /BBox [{reach}] /Resources << {font} >> /Length {len(body)} >>"
        objects.append(_stream(head, body))
        forms.append(f"/{names[name]} {len(objects)} 0 R")
    resources = f"<< {font} /XObject << {' '.join(forms)} >> >>" if forms else f"<< {font} >>"
    kids = []
    for page in document.pages:
        lines = [f"{_n(POINT, 6)} 0 0 {_n(POINT, 6)} 0 0 cm 1 j"]
        for item in page.items:
            if isinstance(item, Inset):
                clip = item.clip
                lines.append(f"q {_n(clip.left)} {_n(clip.bottom)} {_n(clip.width)} {_n(clip.height)} re W n")
                lines.append(f"1 0 0 1 {_n(item.shift[0])} {_n(item.shift[1])} cm /{names[item.name]} Do Q")
            else:
                lines += _items([item])
        body = "\n".join(lines).encode("latin-1")
        objects.append(_stream(f"<< /Length {len(body)} >>", body))
        size = f"{_n(page.width * POINT, 4)} {_n(page.height * POINT, 4)}"
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {size}] /Resources {resources} "
            f"/Contents {len(objects)} 0 R >>".encode()
        )
        kids.append(f"{len(objects)} 0 R")
    # printers' dialogs are asked not to scale: a pattern is only of use at its true size
    objects[0] = b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>"
    objects[1] = f"<< /Type /Pages /Kids [{' '.join(kids)}] /Count {len(kids)} >>".encode()
    objects.append(b"<< /Title (" + _text(document.title) + b") >>")

    opening = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n"
    yield opening
    place, places, digest = len(opening), [], hashlib.sha256()
    for number, written in enumerate(objects, 1):
        block = f"{number} 0 obj\n".encode() + written + b"\nendobj\n"
        places.append(place)
        place += len(block)
        digest.update(block)
        yield block
    table = "".join(f"{at:010d} 00000 n \n" for at in places)
    name = digest.hexdigest()[:32]
    yield (
        f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n{table}trailer\n<< /Size {len(objects) + 1} /Root 1 0 R "
        f"/Info {len(objects)} 0 R /ID [<{name}> <{name}>] >>\nstartxref\n{place}\n%%EOF\n"
    ).encode()


def _stream(head: str, body: bytes) -> bytes:
    return head.encode() + b"\nstream\n" + body + b"\nendstream"


def _n(value: float, places: int = 3) -> str:
    """A number as short as it can be."""
    text = f"{value:.{places}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _text(text: str) -> bytes:
    """The inside of a string: what Windows code page 1252 has, a question mark for the rest."""
    raw = text.encode("cp1252", "replace")
    return raw.replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)")


def _items(items: Iterable[Item]) -> Iterator[str]:
    for item in items:
        yield _words(item) if isinstance(item, Words) else _shape(item)


def _words(item: Words) -> str:
    x = item.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor] * width_of(item.text, item.size, item.bold)
    face = "F2" if item.bold else "F1"
    ink = " ".join(_n(part) for part in item.ink)
    words = _text(item.text).decode("latin-1")
    return f"BT {ink} rg /{face} {_n(item.size)} Tf {_n(x)} {_n(item.y)} Td ({words}) Tj ET"


def _shape(item: Shape) -> str:
    pen: Pen = item.pen
    set_up = []
    if pen.width:
        set_up.append(f"{_n(pen.width)} w {' '.join(_n(part) for part in pen.ink)} RG {0 if pen.butt else 1} J")
        set_up.append(f"[{' '.join(_n(part) for part in pen.dash)}] 0 d")
    if pen.fill is not None:
        set_up.append(f"{' '.join(_n(part) for part in pen.fill)} rg")
    paths = []
    for points, closed in item.lines:
        steps = "%.2f %.2f m" + " %.2f %.2f l" * (len(points) - 1) + (" h" if closed else "")
        paths.append(steps % tuple(points.ravel().tolist()))
    ending = {(True, True): "B", (True, False): "S", (False, True): "f", (False, False): "n"}
    return "\n".join([" ".join(set_up), *paths, ending[bool(pen.width), pen.fill is not None]])
