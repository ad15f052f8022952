"""Several files come into a folder all together or not at all, whatever the file system can do and refuses to do."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from knotgeom.errors import DesignError
from knotgeom.files import whole
from knotgeom.files.opening import read_bytes
from knotgeom.files.together import refuse_existing, together

NAMES = ("mesh.stl", "report.json", "sheet.pdf")


def no_second_names(*_: object, **__: object) -> None:
    """As on FAT, which has no hard links (link(2): EPERM)."""
    raise PermissionError(errno.EPERM, "Operation not permitted")


def not_there(*_: object, **__: object) -> None:
    """As `os.link` says where a system cannot make a second name of a link itself."""
    raise NotImplementedError("follow_symlinks unavailable")


@pytest.fixture(params=[None, no_second_names, not_there], ids=["links", "no links", "no links to links"])
def file_system(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param is not None:
        monkeypatch.setattr(os, "link", request.param)


def kit(folder: Path, says: str) -> Path:
    """A folder with the first two of three files, and one of the user's own."""
    folder.mkdir()
    for name in NAMES[:2]:
        (folder / name).write_text(f"{says} {name}")
    (folder / "notes.txt").write_text("mine")
    return folder


def content(folder: Path) -> dict[str, str]:
    return {path.relative_to(folder).as_posix(): path.read_text() for path in folder.rglob("*") if path.is_file()}


def write_kit(folder: Path) -> None:
    with together(folder, NAMES) as spare:
        for name in NAMES:
            (spare / name).write_text(f"new {name}")


@pytest.mark.usefixtures("file_system")
def test_files_that_are_there_are_replaced_all_together(tmp_path: Path) -> None:
    folder = kit(tmp_path / "kit", "old")
    write_kit(folder)
    assert content(folder) == {"notes.txt": "mine"} | {name: f"new {name}" for name in NAMES}
    assert len(list(folder.iterdir())) == 4


@pytest.mark.usefixtures("file_system")
@pytest.mark.parametrize("error", [OSError(errno.EIO, "Input/output error"), KeyboardInterrupt()], ids=["disk", "stop"])
@pytest.mark.parametrize("call", ["replace", "link"])
@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("done", [False, True], ids=["before", "after"])
def test_wherever_it_is_broken_off_the_folder_is_as_it_was_or_wholly_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, error: BaseException, done: bool
) -> None:
    """One renaming or second name fails, before or just after the system has done it; the next ones work again."""
    folder = kit(tmp_path / "kit", "old")
    before, really, count = content(folder), getattr(os, call), [0]

    def failing(*arguments: object, **options: object) -> None:
        count[0] += 1
        if count[0] != number:
            return really(*arguments, **options)
        if done:
            really(*arguments, **options)
        raise error

    monkeypatch.setattr(os, call, failing)
    try:
        write_kit(folder)
    except (OSError, KeyboardInterrupt):
        assert content(folder) == before
    else:
        assert content(folder) == {"notes.txt": "mine"} | {name: f"new {name}" for name in NAMES}
    assert not list(folder.glob(".part-*"))


def test_what_cannot_be_put_back_stays_beside_the_new_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = kit(tmp_path / "kit", "old")
    monkeypatch.setattr(os, "link", no_second_names)
    really, count = os.replace, [0]

    def replace(*arguments: str | Path) -> None:
        count[0] += 1
        if count[0] > 1:  # from the first file's new name on the disk takes nothing more
            raise OSError(errno.EIO, "Input/output error", arguments[0])
        really(*arguments)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OSError, match="Input/output") as told:
        write_kit(folder)
    assert told.value.filename == str(folder)
    (spare,) = folder.glob(".part-*")
    assert (spare / "mesh.stl.before").read_text() == "old mesh.stl"
    assert (folder / "report.json").read_text() == "old report.json" and (folder / "notes.txt").read_text() == "mine"


def test_a_folder_that_is_not_there_is_made_whole_or_not_at_all(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), together(tmp_path / "kit", NAMES) as spare:
        (spare / NAMES[0]).write_text("half")
        raise RuntimeError
    assert not list(tmp_path.iterdir())
    write_kit(tmp_path / "kit")
    assert content(tmp_path) == {f"kit/{name}": f"new {name}" for name in NAMES}
    with pytest.raises(FileNotFoundError) as told:
        write_kit(tmp_path / "none" / "kit")
    assert told.value.filename == str(tmp_path / "none")


def test_what_may_not_be_replaced_is_refused_by_name_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = kit(tmp_path / "kit", "old")
    (folder / "sheet.pdf").mkdir()
    before = content(tmp_path)
    refused: list[tuple[Path, bool, type[Exception], Path]] = [
        (folder / "notes.txt", True, DesignError, folder / "notes.txt"),
        (folder, False, DesignError, folder / "mesh.stl"),
        (folder, True, DesignError, folder / "sheet.pdf"),
        (tmp_path / "none" / "kit", True, FileNotFoundError, tmp_path / "none"),
    ]
    for target, replace, kind, named in refused:
        with pytest.raises(kind) as told:
            refuse_existing(target, NAMES, replace=replace)
        assert (told.value.file if isinstance(told.value, DesignError) else told.value.filename) == str(named)
    # for the superuser, to whom every file is open, too
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path).name != "report.json")
    with pytest.raises(PermissionError) as told:
        refuse_existing(folder, NAMES, replace=True)
    assert told.value.filename == str(folder / "report.json")
    with pytest.raises(PermissionError, match=r"report\.json"):
        whole.write(folder / "report.json", [b"new"])
    refuse_existing(tmp_path, NAMES, replace=False)
    assert content(tmp_path) == before and not list(tmp_path.rglob(".part-*"))


# ------------------------------------------------------------------------------------------- a name that none has yet


@pytest.mark.parametrize("link", [None, no_second_names], ids=["links", "no links"])
def test_a_new_name_is_never_taken_from_a_file_that_came_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, link: Callable[..., None] | None
) -> None:
    if link is not None:
        monkeypatch.setattr(os, "link", link)
    path = tmp_path / "a.stl"
    whole.write(path, [b"1"], new=True)
    assert path.read_bytes() == b"1"
    with pytest.raises(FileExistsError) as told:
        whole.write(path, [b"2"], new=True)
    assert told.value.filename == str(path)
    assert path.read_bytes() == b"1" and list(tmp_path.iterdir()) == [path]


def test_a_system_that_flushes_no_folders_has_its_files_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really = os.open

    def opened(path: Path, flags: int, mode: int = 0o777) -> int:
        if path == tmp_path:  # as Windows says of every folder
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return really(path, flags, mode)

    monkeypatch.setattr(os, "open", opened)
    whole.write(tmp_path / "a.stl", [b"1"])
    assert (tmp_path / "a.stl").read_bytes() == b"1"


# --------------------------------------------------------------------------------------------------- files that come in


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts open handles as Linux lists them")
def test_what_is_no_plain_file_is_refused_and_let_go_of(tmp_path: Path) -> None:
    (tmp_path / "a.obj").write_bytes(b"12345")
    os.mkfifo(tmp_path / "pipe")
    before = len(os.listdir("/proc/self/fd"))
    for name, kind in ((".", IsADirectoryError), ("pipe", OSError), ("none", FileNotFoundError)):
        with pytest.raises(kind):
            read_bytes(tmp_path / name, 10)
    assert read_bytes(tmp_path / "a.obj", 10) == b"12345" and read_bytes(tmp_path / "a.obj", 3) == b"1234"
    assert len(os.listdir("/proc/self/fd")) == before
