"""Texts of the add-on's own that lie in folders where anybody may change or damage them.

Bytes in, values or bytes out, and nothing imported but Python's own, so that they are tried without Blender as well.
"""

import json

LARGEST = 2**20
"""Bytes of a list that is read; ten paths take far less."""


def paths(data, most):
    """The paths of a list, latest first, at most so many of them; none where ``data`` is no such list."""
    try:
        found = json.loads(data) if len(data) <= LARGEST else None
    except (ValueError, RecursionError):
        return []
    return [path for path in found if isinstance(path, str)][:most] if isinstance(found, list) else []


def list_of(listed):
    """The text of such a list."""
    return json.dumps(listed, indent=1).encode()


def with_catalogs(data, wanted):
    """A file of asset catalogs with those that it lacks, each (uuid, path, simple name), in lines at its end.

    What stands there stays as it is, byte for byte, whatever it is. A file that says nothing yet is given the version
    that it has to begin with: see Catalogs in Blender's manual, "Asset Catalog Definition Files".
    """
    said = [line.strip() for line in data.split(b"\n")]
    said = [line for line in said if line and not line.startswith(b"#")]
    had = {line.partition(b":")[0].strip().lower() for line in said}
    new = [f"{name}:{path}:{simple}\n".encode() for name, path, simple in wanted if name.encode() not in had]
    begin = b"" if said else b"VERSION 1\n\n"
    if new and data and not data.endswith(b"\n"):
        data += b"\n"
    return data + begin + b"".join(new)
