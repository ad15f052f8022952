"""Build the extension's zip: the add-on, the geometry core copied into it, and the wheels it needs.

    python blender_addon/build_extension.py [-o FOLDER] [--wheels FOLDER]

An extension may not load modules from outside its own folder, so the core is copied in; it imports only relatively
inside itself. Blender's own builder makes and checks the zip where the ``bpy`` package or a Blender is at hand
(``bl_pkg/cli/blender_ext.py`` runs under plain Python); elsewhere the zip is made here, unchecked, and says so.

Wheels are the unmodified ones of the package index, pinned by hash. NumPy is never bundled: Blender has its own.
"""

import argparse
import contextlib
import hashlib
import importlib.util
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent

WHEELS = {
    "networkx-3.6.1-py3-none-any.whl": (
        "networkx==3.6.1",
        "d47fbf302e7d9cbbb9e2555a0d267983d2aa476bac30e90dfbe5669bd57f3762",
    ),
}
"""File name, requirement and SHA-256 of each bundled wheel: pure Python, so that one zip serves every Blender."""

_LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc", Path(__file__).name, ".*")


class BuildError(Exception):
    """The zip cannot be made; the message says why and what to do."""


def fetch_wheels(folder):
    """See that every wheel lies in ``folder``, fetched by pip where it is missing, and is the one expected."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (requirement, digest) in WHEELS.items():
        wheel = folder / name
        if not wheel.exists():
            pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
            done = subprocess.run(
                [*pip, "--dest", str(folder), requirement], check=False, capture_output=True, text=True
            )
            if done.returncode or not wheel.exists():
                raise BuildError(f"{requirement} could not be fetched; put {name} into {folder} by hand\n{done.stderr}")
        found = hashlib.sha256(wheel.read_bytes()).hexdigest()
        if found != digest:
            raise BuildError(f"{wheel}: its SHA-256 is {found}, not {digest}; delete it and build again")


def stage(target, wheels):
    """Lay the whole extension out in ``target``."""
    shutil.copytree(HERE, target, ignore=_LEFT_OUT, dirs_exist_ok=True)
    shutil.copytree(ROOT / "knotgeom", target / "knotgeom", ignore=_LEFT_OUT)
    shutil.copy(ROOT / "LICENSE", target / "LICENSE")
    (target / "wheels").mkdir()
    for name in WHEELS:
        shutil.copy(wheels / name, target / "wheels" / name)


def blenders_builder():
    """Blender's own builder of extensions as a script, or None where no Blender is at hand."""
    spec = importlib.util.find_spec("bpy")
    if spec is not None and spec.origin:
        inside = sorted(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))
        if inside:
            return [sys.executable, str(inside[-1])]
    blender = shutil.which("blender")
    return [blender, "--command", "extension"] if blender else None


def build(output, wheels):
    """Make the zip in the folder ``output``.

    Returns
    -------
    tuple of (Path, bool)
        The zip, and whether Blender's own builder made and checked it.
    """
    manifest = tomllib.loads((HERE / "blender_manifest.toml").read_text(encoding="utf-8"))
    output.mkdir(parents=True, exist_ok=True)
    archive = output / f"{manifest['id']}-{manifest['version']}.zip"
    fetch_wheels(wheels)
    with tempfile.TemporaryDirectory() as folder:
        staged = Path(folder) / manifest["id"]
        stage(staged, wheels)
        builder = blenders_builder()
        if builder is None:
            _plain_zip(staged, archive)
            return archive, False
        _run([*builder, "build", "--source-dir", str(staged), "--output-filepath", str(archive)])
        _run([*builder, "validate", str(archive)])
    return archive, True


def _run(command):
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=120)
    if done.returncode:
        raise BuildError(f"{command[-1]}: refused by Blender's builder\n{done.stdout}{done.stderr}")


def _plain_zip(folder, archive):
    with contextlib.suppress(FileNotFoundError):
        archive.unlink()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                packed.write(path, path.relative_to(folder).as_posix())


def main(arguments=None):
    """Build from the command line; gives the exit status."""
    parser = argparse.ArgumentParser(description="Build the Blender extension.")
    parser.add_argument("-o", "--output", type=Path, default=ROOT / "dist", help="folder for the zip (dist)")
    parser.add_argument("--wheels", type=Path, default=ROOT / "build" / "wheels", help="folder that holds the wheels")
    options = parser.parse_args(arguments)
    try:
        archive, checked = build(options.output, options.wheels)
    except BuildError as error:
        print(error, file=sys.stderr)
        return 1
    how = "checked by Blender's own builder" if checked else "not checked: no Blender here to do it"
    print(f"{archive} ({archive.stat().st_size / 2**20:.2f} MB, {how})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
