"""Build the extension's zip: the add-on, the geometry core copied into it, and the wheels it needs.

    python blender_addon/build_extension.py [-o FOLDER] [--wheels FOLDER]

An extension may not load modules from outside its own folder, so the core is copied in; it imports only relatively
inside itself. Blender's own builder makes and checks the zip where the ``bpy`` package or a Blender is at hand
(``bl_pkg/cli/blender_ext.py`` runs under plain Python); elsewhere the zip is made here, unchecked, and says so.

Wheels are the unmodified ones of the package index, pinned by hash. NumPy is never bundled: Blender has its own. One
zip holds the compiled wheels of every system and Python; Blender unpacks those that fit. Blender refuses an extension
whose compiled wheels are all for other Pythons than its own: for such there is ``--without-compiled``, whose zip leaves
whole pieces to the command line.
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

PURE = {"networkx-3.6.1-py3-none-any.whl": "d47fbf302e7d9cbbb9e2555a0d267983d2aa476bac30e90dfbe5669bd57f3762"}
"""File name and SHA-256 of wheels that serve every Blender."""

_LINUX = "manylinux_2_27_x86_64.manylinux_2_28_x86_64"
COMPILED = {
    # Blender 4.2 to 5.0 are made for Python 3.11, later ones for 3.13
    f"manifold3d-3.5.4-cp311-cp311-{_LINUX}.whl": "d021c4096aa0e40748c0720b8386002de349b788b3ad7d92a3dba214110d0f0e",
    f"manifold3d-3.5.4-cp313-cp313-{_LINUX}.whl": "7a5469641713f1bc291fea873cb134c435704df36828d134190fc2475b304259",
    "manifold3d-3.5.4-cp311-cp311-win_amd64.whl": "34ef0b1b70b6d153eb12a72706e128e9b629c562cd4ab103083afd17ca071fbd",
    "manifold3d-3.5.4-cp313-cp313-win_amd64.whl": "76975aa4ebd18dcb0481e43dac3ed70d78066e9ad047e73a5f7dbc0df1553cf4",
    "manifold3d-3.5.4-cp311-cp311-win_arm64.whl": "df86fafec8268e6b164a7338b1dd9eb77139870ed5fa0e0d343a7d9870f3a833",
    "manifold3d-3.5.4-cp313-cp313-win_arm64.whl": "552ffb1f79ef77f1c7e05d638ee43e7fe88c652b1f9b042a88aab1fef85fc28c",
    "manifold3d-3.5.4-cp311-cp311-macosx_11_0_arm64.whl": (
        "6b9eedfdd50868b553e5bd5c83b6d99f8d2d70007cba3bf849ae90722a57ecfc"
    ),
    "manifold3d-3.5.4-cp313-cp313-macosx_11_0_arm64.whl": (
        "ed0736f472c3362b8084867f10a724a9a483927bdb7cbfceb564acc52a7f4273"
    ),
    "manifold3d-3.5.4-cp311-cp311-macosx_10_14_x86_64.whl": (
        "b4b2a9ed95c51b6dbb6f22dbc01ec7d696c10041fd1d29a7cc31ae75a33943d3"
    ),
    # Blenders that Linux distributions make with the Python of their own
    f"manifold3d-3.5.4-cp312-cp312-{_LINUX}.whl": "4a985892699268bbf07192b78b5e5569034c41ce74bf8183495123e8095af4fe",
    f"manifold3d-3.5.4-cp314-cp314-{_LINUX}.whl": "c3fc18f0712b5ff10fdc5307f9abc8a40affe3a5f8559a19b9c03e3a82e4513b",
}
"""The same for wheels of one Python and one system each."""

NO_WHEELS = "wheels = []"
"""How the manifest in the checkout says it; replaced by the list of those that are bundled."""

_LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc", Path(__file__).name, ".*")


class BuildError(Exception):
    """The zip cannot be made; the message says why and what to do."""


def fetch_wheels(folder, wanted):
    """See that every wheel lies in ``folder``, fetched by pip where it is missing, and is the one expected.

    Parameters
    ----------
    wanted : dict of str to str
        SHA-256 by file name.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, digest in wanted.items():
        package, version, python, abi, system = name.removesuffix(".whl").split("-")
        requirement, wheel = f"{package}=={version}", folder / name
        if not wheel.exists():
            pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "download", "--quiet", "--no-deps"]
            tags = [part for each in system.split(".") for part in ("--platform", each)]
            if python.startswith("cp"):
                tags += ["--python-version", python.removeprefix("cp"), "--implementation", "cp", "--abi", abi]
            done = subprocess.run(
                [*pip, "--only-binary=:all:", *tags, "--dest", str(folder), requirement],
                check=False,
                capture_output=True,
                text=True,
            )
            if done.returncode or not wheel.exists():
                raise BuildError(f"{requirement} could not be fetched; put {name} into {folder} by hand\n{done.stderr}")
        found = hashlib.sha256(wheel.read_bytes()).hexdigest()
        if found != digest:
            raise BuildError(f"{wheel}: its SHA-256 is {found}, not {digest}; delete it and build again")


def stage(target, wheels, wanted):
    """Lay the whole extension out in ``target``, with the wheels of those names."""
    shutil.copytree(HERE, target, ignore=_LEFT_OUT, dirs_exist_ok=True)
    shutil.copytree(ROOT / "knotgeom", target / "knotgeom", ignore=_LEFT_OUT)
    shutil.copy(ROOT / "LICENSE", target / "LICENSE")
    (target / "wheels").mkdir()
    for name in wanted:
        shutil.copy(wheels / name, target / "wheels" / name)
    manifest = target / "blender_manifest.toml"
    words = ",\n".join(f'  "./wheels/{name}"' for name in wanted)
    text = manifest.read_text(encoding="utf-8")
    assert text.count(NO_WHEELS) == 1
    manifest.write_text(text.replace(NO_WHEELS, f"wheels = [\n{words},\n]"), encoding="utf-8")


def blenders_builder():
    """Blender's own builder of extensions as a script, or None where no Blender is at hand."""
    spec = importlib.util.find_spec("bpy")
    if spec is not None and spec.origin:
        inside = sorted(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))
        if inside:
            return [sys.executable, str(inside[-1])]
    blender = shutil.which("blender")
    return [blender, "--command", "extension"] if blender else None


def build(output, wheels, *, compiled=True):
    """Make the zip in the folder ``output``.

    Parameters
    ----------
    compiled : bool
        Whether compiled wheels are bundled.

    Returns
    -------
    tuple of (Path, bool)
        The zip, and whether Blender's own builder made and checked it.
    """
    manifest = tomllib.loads((HERE / "blender_manifest.toml").read_text(encoding="utf-8"))
    output.mkdir(parents=True, exist_ok=True)
    archive = output / f"{manifest['id']}-{manifest['version']}{'' if compiled else '-without-compiled'}.zip"
    wanted = PURE | COMPILED if compiled else PURE
    fetch_wheels(wheels, wanted)
    with tempfile.TemporaryDirectory() as folder:
        staged = Path(folder) / manifest["id"]
        stage(staged, wheels, wanted)
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
    parser.add_argument(
        "--without-compiled", action="store_true", help="leave compiled wheels out, for a Blender with another Python"
    )
    options = parser.parse_args(arguments)
    try:
        archive, checked = build(options.output, options.wheels, compiled=not options.without_compiled)
    except BuildError as error:
        print(error, file=sys.stderr)
        return 1
    how = "checked by Blender's own builder" if checked else "not checked: no Blender here to do it"
    print(f"{archive} ({archive.stat().st_size / 2**20:.2f} MB, {how})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
