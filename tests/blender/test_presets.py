"""Starting points: adding, replacing, keeping one's own, recent files, an asset library whose knots stay designs."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import SimpleNamespace

import bpy
import pytest

from blender_addon import asset_library, core, ops_add, recent, starts, store


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """An empty folder for what the user keeps."""
    kept = tmp_path / "user"

    def folder(create=False):
        if create:
            kept.mkdir(exist_ok=True)
        return str(kept)

    monkeypatch.setattr(recent, "folder", folder)
    return kept


def design(obj):
    return store.design_of(obj)


def knots():
    return [obj for obj in bpy.data.objects if store.is_knot(obj)]


@pytest.mark.parametrize("start", starts.shipped(), ids=lambda start: start.key)
def test_every_starting_point_makes_a_knot(start):
    assert bpy.ops.mesh.relief_knot_start(key=start.key) == {"FINISHED"}
    obj = bpy.context.object
    assert obj.name == start.name and obj.relief_knot.error == ""
    assert design(obj) == core.reading.read_file(start.path)
    assert len(obj.data.polygons) > 1000
    assert store.report_of(obj)["findings"] == []


def test_replace_gives_the_active_knot_the_design_and_adds_none(knot):
    name = knot.name
    assert bpy.ops.mesh.relief_knot_start(key="board/long-breaks", replace=True) == {"FINISHED"}
    assert len(knots()) == 1 and bpy.context.object.name == name
    assert design(bpy.context.object).layout.columns == 8


def test_a_starting_point_is_one_step_of_undo(knot):
    bpy.ops.ed.undo_push(message="before")
    before = bpy.context.object.relief_knot.text
    bpy.ops.mesh.relief_knot_start("EXEC_DEFAULT", True, key="pendant/plain-plait")
    assert len(knots()) == 2
    bpy.ops.ed.undo()
    assert [obj.relief_knot.text for obj in knots()] == [before]


def test_a_starting_point_that_has_gone_is_refused_in_words(knot):
    with pytest.raises(RuntimeError, match="no longer there"):
        bpy.ops.mesh.relief_knot_start(key="own/gone")
    assert len(knots()) == 1


def test_the_words_about_a_starting_point_say_its_size():
    start = starts.find("board/one-strand-panel")
    assert starts.about(start) == f"{start.about}. 168 x 120 mm, 52 crossings"


def test_ones_own_design_is_kept_with_a_picture_and_comes_back(knot, own_folder):
    assert starts.own() == ()
    assert starts.items("own")[0][0] == "NONE", "there is nothing to choose yet"
    assert bpy.ops.mesh.relief_knot_keep(name="Saint John's: second") == {"FINISHED"}
    (start,) = starts.own()
    assert start.name == "Saint John's  second" and start.use == "own"
    assert core.reading.read_file(start.path) == design(knot)
    picture = bpy.data.images.load(start.picture)
    assert tuple(picture.size) == (256, 256)
    shades = {round(value, 2) for value in list(picture.pixels)[::4]}
    assert len(shades) > 20, "a relief, not a blank"
    bpy.data.images.remove(picture)
    assert not [image for image in bpy.data.images if image.name.startswith("Relief Knot")]

    bpy.ops.mesh.relief_knot_start(key=start.key)
    assert bpy.context.object != knot and design(bpy.context.object) == design(knot)

    assert bpy.ops.wm.relief_knot_drop_start(key=start.key) == {"FINISHED"}
    assert starts.own() == () and os.listdir(own_folder / "designs") == []


def test_nothing_of_the_collection_can_be_deleted():
    with pytest.raises(RuntimeError, match="Only your own"):
        bpy.ops.wm.relief_knot_drop_start(key="pendant/plain-plait")
    assert starts.find("pendant/plain-plait")


def test_a_name_of_nothing_but_signs_is_refused(knot):
    with pytest.raises(RuntimeError, match="name"):
        bpy.ops.mesh.relief_knot_keep(name=" /:. ")
    assert starts.own() == ()


def test_a_spoilt_design_among_ones_own_is_refused_by_name_and_harms_no_other(own_folder):
    folder = Path(recent.designs(create=True))
    (folder / "spoilt.interlace.json").write_text("{")
    assert [start.name for start in starts.own()] == ["spoilt"]
    assert starts.about(starts.own()[0]) == "Your own design"
    with pytest.raises(RuntimeError, match=r"spoilt\.interlace\.json"):
        bpy.ops.mesh.relief_knot_start(key="own/spoilt")


def test_files_opened_and_saved_are_remembered_latest_first(knot, tmp_path):
    names = [str(tmp_path / f"{name}.interlace.json") for name in "abc"]
    for name in names:
        bpy.ops.mesh.relief_knot_export(filepath=name)
    bpy.ops.mesh.relief_knot_import(filepath=names[0])
    assert recent.files() == [names[0], names[2], names[1]]
    os.remove(names[2])
    assert recent.files() == [names[0], names[1]], "one that has gone is not offered"
    bpy.ops.wm.relief_knot_forget()
    assert recent.files() == [] and os.path.exists(names[0])


def test_the_list_holds_ten(tmp_path):
    for number in range(15):
        path = tmp_path / f"{number}.interlace.json"
        path.write_text("")
        recent.note(path)
    assert len(recent.remembered()) == recent.MOST and recent.files()[0].endswith("14.interlace.json")


@pytest.mark.parametrize(
    "text", [b"", b"[1, 2]", b"{}", b'["', b"null", b"\xff", b"[" * 5000, b'["a"' + b" " * 2**20 + b"]"]
)
def test_a_spoilt_list_is_an_empty_one(own_folder, text):
    own_folder.mkdir()
    (own_folder / recent.LIST).write_bytes(text)
    assert recent.files() == []
    assert recent.note("/x.interlace.json") and recent.remembered() == [os.path.abspath("/x.interlace.json")]


def test_where_nothing_can_be_kept_work_goes_on(knot, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(recent, "folder", lambda create=False: str(tmp_path / "file" / "below"))
    target = tmp_path / "a.interlace.json"
    assert bpy.ops.mesh.relief_knot_export(filepath=str(target)) == {"FINISHED"}
    assert recent.files() == []
    with pytest.raises(RuntimeError, match="cannot be saved"):
        bpy.ops.mesh.relief_knot_keep(name="x")


@pytest.fixture
def library(tmp_path, monkeypatch):
    """A library of a few starting points and one of the user's own."""
    few = tuple(start for start in starts.shipped() if start.key.endswith(("plait", "square", "edging")))
    monkeypatch.setattr(starts, "shipped", lambda: few)
    bpy.ops.mesh.relief_knot_add(purpose="TRIM")
    bpy.ops.mesh.relief_knot_keep(name="Mine")
    bpy.data.objects.remove(bpy.context.object)
    before = (len(bpy.data.objects), len(bpy.data.meshes), len(bpy.data.images))
    folder = tmp_path / "assets"
    folder.mkdir()
    (folder / asset_library.CATALOGS).write_text(f"VERSION 1\n\n{OTHER}\n")
    assert bpy.ops.wm.relief_knot_assets(directory=str(folder)) == {"FINISHED"}
    assert before == (len(bpy.data.objects), len(bpy.data.meshes), len(bpy.data.images)), "the file stays as it was"
    return folder, few


OTHER = "11111111-2222-3333-4444-555555555555:Chairs:Chairs"


def append(folder, name):
    with bpy.data.libraries.load(str(folder / asset_library.LIBRARY), link=False) as (_source, target):
        target.objects = [name]
    (obj,) = target.objects
    bpy.context.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    return obj


def test_assets_have_pictures_and_catalogs_and_stay_designs_when_appended(library):
    folder, few = library
    obj = append(folder, few[0].name)
    assert obj.asset_data is not None and obj.asset_data.catalog_id == asset_library.catalog(few[0].use)
    assert few[0].about in obj.asset_data.description
    assert tuple(obj.preview.image_size) == (256, 256)
    assert len({round(value, 2) for value in list(obj.preview.image_pixels_float)[::4]}) > 20
    assert design(obj) == core.reading.read_file(few[0].path)
    faces = len(obj.data.polygons)
    obj.relief_knot.columns += 1
    assert len(obj.data.polygons) > faces and obj.relief_knot.error == ""


def test_ones_own_starting_point_is_an_asset_too(library):
    folder, _few = library
    assert append(folder, "Mine").asset_data.catalog_id == asset_library.catalog("own")


def test_a_catalog_file_that_was_there_keeps_its_lines_and_gets_none_twice(library):
    folder, _few = library
    bpy.ops.wm.relief_knot_assets(directory=str(folder))
    lines = (folder / asset_library.CATALOGS).read_text().splitlines()
    assert lines[0] == "VERSION 1" and OTHER in lines
    ours = [line for line in lines if "Relief Knots/" in line]
    assert len(ours) == len(set(ours)) == len(starts.USES)


def test_catalogs_that_are_no_text_stay_as_they_are(tmp_path):
    theirs = "VERSION 1\r\n# Stühle\x85\x1c\r\n".encode("latin-1") + OTHER.encode()
    (tmp_path / asset_library.CATALOGS).write_bytes(theirs)
    asset_library.add_catalogs(tmp_path, [("own", "Yours")])
    (line,) = (tmp_path / asset_library.CATALOGS).read_bytes().removeprefix(theirs).split()[:1]
    assert line.startswith(f"{asset_library.catalog('own')}:Relief".encode())


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(RuntimeError, match="no such folder"):
        bpy.ops.wm.relief_knot_assets(directory=str(tmp_path / "nowhere"))


def test_the_chooser_starts_at_a_pendant_and_follows_the_use():
    chooser = bpy.context.window_manager.relief_knot_starts
    assert chooser.chosen.key == "pendant/plain-plait"
    chooser.use = "board"
    chooser.board = "board/long-breaks"
    assert chooser.chosen.name == "Long Breaks"
    chooser.use = "own"
    assert chooser.chosen is None
    chooser.use = "pendant"


def test_items_of_the_chooser_name_each_design_once():
    keys = [item[0] for use, *_ in starts.USES for item in starts.items(use)]
    assert [key for key in keys if key != "NONE"] == [start.key for start in starts.listed()]


def test_the_collection_on_disk_is_read_as_it_is():
    listed = json.loads((starts.SHIPPED / "collection.json").read_text(encoding="utf-8"))
    assert [start.key for start in starts.shipped()] == [entry["id"] for entry in listed]
    assert all(os.path.exists(start.picture) for start in starts.shipped())


# --- presets of the operator -----------------------------------------------------------------------------------------


def operator_presets():
    """Files of settings for Add > Mesh > Relief Knot, by Blender's own search."""
    (folder,) = [
        path for path in bpy.utils.preset_paths("operator/mesh.relief_knot_add") if path.startswith(ops_add.PRESETS)
    ]
    return sorted(Path(folder).glob("*.py"))


def given(path):
    """What a file of settings sets."""
    op = SimpleNamespace()
    source = path.read_text(encoding="utf-8").replace("bpy.context.active_operator", "op").replace("import bpy", "")
    exec(source.replace("op = op", ""), {"op": op})
    return vars(op)


def test_blender_finds_settings_for_adding_a_knot_and_each_makes_a_sound_one():
    found = operator_presets()
    assert len(found) == 9
    for path in found:
        settings = given(path)
        assert bpy.ops.mesh.relief_knot_add(**settings) == {"FINISHED"}
        obj = bpy.context.object
        grid = store.design_of(obj).layout
        assert not obj.relief_knot.error and store.report_of(obj)["findings"] == [], path.name
        assert (grid.columns, grid.rows) == (settings["columns"], settings["rows"])
        if settings["cell"]:
            assert grid.cell_width == pytest.approx(1000 * settings["cell"])


def test_a_preset_of_ones_own_keeps_what_the_knot_is_for():
    kind = bpy.ops.mesh.relief_knot_add.get_rna_type()
    assert "PRESET" in bpy.types.MESH_OT_relief_knot_add.bl_options
    kept = {name for name, prop in kind.properties.items() if not prop.is_skip_preset}
    assert {"purpose", "columns", "rows", "cell", "measure"} <= kept
