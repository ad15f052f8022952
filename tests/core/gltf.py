"""What the Khronos Group's glTF validator says of a file, and a plain reader of GLB, written apart from the writer.

The validator is an npm package pinned in tests/gltf; it is installed once into the user's cache. Where there is no node
or no network the tests that need it are skipped and say so.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).resolve().parents[1] / "gltf"
FILES = ("package.json", "package-lock.json", "validate.js")

# What a file without baked maps carries for those that are baked later, and for shaders.
EXPECTED = {("UNUSED_OBJECT", "TEXCOORD_0"), ("UNUSED_OBJECT", "TEXCOORD_1"), ("UNUSED_MESH_TANGENT", "TANGENT")}


@functools.cache
def _installed() -> Path:
    node, npm = shutil.which("node"), shutil.which("npm")
    if not node or not npm:
        pytest.skip("no node and npm, which the Khronos glTF validator runs on")
    content = b"".join((FOLDER / name).read_bytes() for name in FILES)
    home = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    cache = home / "knotgeom-tests" / f"gltf-{hashlib.sha256(content).hexdigest()[:12]}"
    if not (cache / "ready").exists():
        cache.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            shutil.copy(FOLDER / name, cache)
        done = subprocess.run(
            [npm, "ci", "--no-audit", "--no-fund"], cwd=cache, capture_output=True, text=True, timeout=300, check=False
        )
        if done.returncode:
            pytest.skip(f"npm cannot install the Khronos glTF validator: {done.stderr.strip()[:300]}")
        (cache / "ready").touch()
    return cache


def found_by_the_validator(path: Path) -> list[tuple[str, str, str]]:
    """(severity, code, pointer) of everything the validator finds but for what is expected of an unbaked kit."""
    cache = _installed()
    done = subprocess.run(
        ["node", "validate.js", str(path.resolve())], cwd=cache, capture_output=True, text=True, timeout=120, check=True
    )
    issues = json.loads(done.stdout)["issues"]
    assert not issues.get("truncated")
    words = ("error", "warning", "info", "hint")
    return [
        (words[one["severity"]], one["code"], one.get("pointer", ""))
        for one in issues["messages"]
        if (one["code"], one.get("pointer", "").rpartition("/")[2]) not in EXPECTED
    ]


def read(path: Path) -> tuple[dict, bytes]:
    """The JSON of a GLB file and its binary chunk."""
    data = path.read_bytes()
    magic, version, length = struct.unpack_from("<4sII", data)
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    start = 20 + size
    rest, kind = struct.unpack_from("<I4s", data, start)
    assert kind == b"BIN\0" and start + 8 + rest == len(data)
    return json.loads(data[20:start]), data[start + 8 :]


def array(root: dict, binary: bytes, number: int) -> np.ndarray:
    """The rows of an accessor."""
    one = root["accessors"][number]
    view = root["bufferViews"][one["bufferView"]]
    kind = {5126: "<f4", 5123: "<u2", 5125: "<u4"}[one["componentType"]]
    wide = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}[one["type"]]
    rows = np.frombuffer(binary, kind, one["count"] * wide, view["byteOffset"])
    return rows.reshape(-1, wide) if wide > 1 else rows
