"""Makes everything of the demonstrations: facts, pictures and meshes by the core, scenes and renders in Blender.

``python demo_scenes/make_demos.py --out out``; the environment variable ``BLENDER_PYTHON`` names a Python with
Blender's module. Without it the scenes and the contact sheet are left out, which is said.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from demos import CARVED, DEMOS, PRINTED, SHAPED, TRIMMED, Demo  # noqa: E402

TILE = (480, 360)
COLUMNS = 4
LEGEND = 46
PAPER, INK, FAINT = (246, 243, 237), (38, 34, 30), (112, 104, 95)


def knotgeom(*arguments: str) -> str:
    """Run the command line and give what it printed; its one line of refusal ends the work."""
    environment = {**os.environ, "PYTHONPATH": str(HERE.parent)}
    ended = subprocess.run(
        [sys.executable, "-m", "knotgeom", *arguments], check=False, capture_output=True, text=True, env=environment
    )
    if ended.returncode:
        raise SystemExit(f"make_demos: {ended.stderr.strip()}")
    return ended.stdout


def make_files(demo: Demo, out: Path) -> None:
    """Facts, picture and mesh of one demonstration, as a user would make them."""
    begun = time.perf_counter()
    (out / f"{demo.name}.facts.json").write_text(knotgeom("facts", str(demo.path)), encoding="utf-8")
    knotgeom("picture", str(demo.path), "-o", str(out / f"{demo.name}.png"), "--pixels", "1000", "--replace")
    knotgeom("mesh", str(demo.path), "-o", str(out / f"{demo.name}.stl"), "--replace")
    print(f"{demo.name}: facts, picture and mesh, {time.perf_counter() - begun:.0f} s", flush=True)


def make_sheets(demo: Demo, out: Path) -> None:
    """Pattern sheets for a carver: on paper with all that can be shown, and for a cutter."""
    marks = ("--depths", "--waste", "--arrows", "--replace", "--title", demo.title)
    paper = out / f"{demo.name}_sheet.pdf"
    knotgeom("sheet", str(demo.path), "-o", str(paper), "--pages", "pattern,mirrored,stages,follow", *marks)
    knotgeom("sheet", str(demo.path), "-o", str(out / f"{demo.name}_outlines.svg"), "--replace", "--title", demo.title)
    print(f"{demo.name}: pattern sheets", flush=True)


def show_sheet(demo: Demo, out: Path) -> Path:
    """The first pages of a pattern sheet side by side: contents, pattern, stages, strands."""
    import pypdfium2

    gap, high = 24, 900
    with pypdfium2.PdfDocument(out / f"{demo.name}_sheet.pdf") as document:
        names = [page.get_textpage().get_text_range() for page in document]
        first = [
            next(k for k, text in enumerate(names) if title in text) for title in (": stages", ": follow the strand")
        ]
        images = [document[k].render(scale=3).to_pil() for k in (0, 1, *first)]
    images = [
        image.resize((round(image.width * high / image.height), high), Image.Resampling.LANCZOS) for image in images
    ]
    shown = Image.new("RGB", (sum(i.width + gap for i in images) + gap, high + 2 * gap), FAINT)
    x = gap
    for image in images:
        shown.paste(image, (x, gap))
        x += image.width + gap
    path = out / f"{demo.name}_sheet.jpg"
    shown.save(path, quality=82, optimize=True)
    return path


def make_things(out: Path) -> None:
    """What is made of some designs: a board with its relief, finished pieces, and trim kits."""
    verbs = (("carve", CARVED), ("print", PRINTED), ("trim", TRIMMED))

    def make(verb: str, demo: Demo) -> None:
        begun = time.perf_counter()
        knotgeom(verb, str(demo.path), "-o", str(out / demo.name), "--replace")
        print(f"{demo.name}: {verb}, {time.perf_counter() - begun:.0f} s", flush=True)

    # each in a process of its own, as many at a time as there are processors
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for done in [pool.submit(make, verb, demo) for verb, demos in verbs for demo in demos]:
            done.result()


def run_blender(blender: str, script: str, out: Path) -> None:
    """Run a script of scenes in Blender's Python and show its lines about demonstrations."""
    log = out / f"{script}.log"
    with log.open("w", encoding="utf-8") as lines:
        run = subprocess.Popen(
            [blender, str(HERE / f"{script}.py"), "--out", str(out)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert run.stdout is not None
        for line in run.stdout:
            lines.write(line)
            if line.split(":")[0] in {demo.name for demo in (*DEMOS, *SHAPED, *TRIMMED)}:
                print(line, end="", flush=True)
    if run.wait():
        raise SystemExit(f"make_demos: Blender ended with status {run.returncode}; see {log}")


def shown(demo: Demo, out: Path) -> Image.Image:
    """The render of a demonstration, or the middle of its picture where it has no scene."""
    render = out / f"{demo.name}_render.png"
    with Image.open(render if render.exists() else out / f"{demo.name}.png") as image:
        whole = image.convert("RGB")
    wide = min(whole.width, whole.height * TILE[0] // TILE[1])
    high = wide * TILE[1] // TILE[0]
    left, top = (whole.width - wide) // 2, (whole.height - high) // 2
    return whole.crop((left, top, left + wide, top + high)).resize(TILE, Image.Resampling.LANCZOS)


def contact_sheet(out: Path, demos: tuple[Demo, ...], name: str, columns: int) -> Path:
    """Renders on one sheet, each with its title and for whom it is."""
    rows = -(-len(demos) // columns)
    sheet = Image.new("RGB", (columns * TILE[0], rows * (TILE[1] + LEGEND)), PAPER)
    draw = ImageDraw.Draw(sheet)
    title, small = ImageFont.load_default(18), ImageFont.load_default(14)
    for number, demo in enumerate(demos):
        x, y = number % columns * TILE[0], number // columns * (TILE[1] + LEGEND)
        sheet.paste(shown(demo, out), (x, y))
        draw.text((x + 10, y + TILE[1] + 4), demo.title, fill=INK, font=title)
        draw.text((x + 10, y + TILE[1] + 26), demo.person, fill=FAINT, font=small)
    path = out / f"{name}.jpg"
    sheet.save(path, quality=82, optimize=True)
    return path


def main() -> None:
    """Make the demonstrations."""
    parser = argparse.ArgumentParser(description="Make the files, scenes and pictures of the demonstrations.")
    parser.add_argument("--out", type=Path, default=Path("out"), help="folder to write to (default: out)")
    out: Path = parser.parse_args().out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    for demo in (*DEMOS, *SHAPED):
        make_files(demo, out)
        if demo.person == "woodcarver":
            make_sheets(demo, out)
    print(f"{show_sheet(DEMOS[0], out)}")
    make_things(out)
    blender = os.environ.get("BLENDER_PYTHON")
    if not blender:
        print("BLENDER_PYTHON names no Python with Blender's module: no scenes, renders and contact sheet are made")
        return
    for script in ("scenes", "trim_scenes"):
        run_blender(blender, script, out)
    print(f"{contact_sheet(out, DEMOS, 'contact_sheet', COLUMNS)}")
    print(f"{contact_sheet(out, SHAPED, 'layouts', 3)}")
    print(f"{contact_sheet(out, TRIMMED, 'trims', 3)}")


if __name__ == "__main__":
    main()
