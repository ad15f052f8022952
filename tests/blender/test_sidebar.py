"""The sidebar and its words: every panel is drawn on a sheet that notes what is put on it."""

from __future__ import annotations

import inspect
import re

import bpy
import pytest

from blender_addon import MODULES, ops_mend, props, store, translations, ui, ui_parts
from knotgeom.design import Breaks, Design, Divide, Grid, Heights, Making, Pass, Site, Strand, Strip, Way
from knotgeom.made import make


class Sheet:
    """Takes what a panel draws and notes it; refuses what Blender would refuse."""

    def __init__(self, notes):
        self.notes = notes

    def __getattr__(self, name):
        if name in {"row", "column", "split", "box", "grid_flow"}:
            return lambda **_: Sheet(self.notes)
        raise AttributeError(name)

    def __setattr__(self, name, value):
        super().__setattr__(name, value)

    def label(self, text="", **_):
        self.notes.append(text)

    def prop(self, data, name, text=None, **_):
        assert name in data.bl_rna.properties, name
        self.notes.append((name, text))

    def template_icon_view(self, data, name, **_):
        self.prop(data, name)

    def separator(self, **_):
        pass

    def progress(self, factor, text, **_):
        self.notes.append((factor, text))

    def operator(self, name, text=None, **_):
        kind = operator_type(name)
        self.notes.append((name, text or kind.name))
        return SettingsOf(kind)

    def operator_menu_enum(self, name, prop, text=None, **_):
        self.operator(name, text)

    def menu(self, name, text=None, **_):
        assert hasattr(bpy.types, name), name
        self.notes.append((name, text))


def operator_type(name):
    """What Blender knows of an operator."""
    group, word = name.split(".")
    return getattr(getattr(bpy.ops, group), word).get_rna_type()


class SettingsOf:
    """An operator's settings: only those that it has."""

    def __init__(self, kind):
        object.__setattr__(self, "kind", kind)

    def __setattr__(self, name, value):
        assert name in self.kind.properties, name


class Shown:
    """A panel to be drawn: its own layout, and all else from its class."""

    def __init__(self, cls, notes):
        self.cls, self.layout = cls, Sheet(notes)

    def __getattr__(self, name):
        return inspect.getattr_static(self.cls, name).__get__(self, self.cls)


def drawn(cls):
    """All that a panel shows, or None where it is hidden."""
    if hasattr(cls, "poll") and not cls.poll(bpy.context):
        return None
    notes = []
    cls.draw(Shown(cls, notes), bpy.context)
    return notes


PANELS = [cls for cls in ui.CLASSES if issubclass(cls, bpy.types.Panel)]

SECTIONS = [
    cls
    for module in MODULES
    for cls in getattr(module, "CLASSES", ())
    if issubclass(cls, bpy.types.Panel) and cls.bl_region_type == "UI"
]

FAULTY = {
    "bend": Design(
        Grid(4, 4, 10.0, 10.0),
        Breaks((Site(3, 4), Site(5, 4)), (Site(4, 3),)),
        strand=Strand(4.8),
        heights=Heights(Making.FUSED, step=0.3),
    ),
    "slope": Design(Grid(4, 4, 10.0, 10.0), strand=Strand(5.5, 3.0), heights=Heights(slope_limit_deg=30.0)),
    "halves": Design(
        Grid(4, 4, 10.0, 10.0),
        divide=Divide((Pass(1, 2, Way.RISING),), gap=0.2),
        strand=Strand(4.0, 1.6),
        heights=Heights(Making.FUSED, step=0.8, slope_limit_deg=30.0),
    ),
    "depth": Design(Grid(3, 3, 10.0, 10.0), heights=Heights(Making.FUSED, step=0.5, depth_limit=1.5)),
    "free depth": Design(Grid(3, 3, 10.0, 10.0), heights=Heights(depth_limit=2.0)),
}


def new(design):
    """A knot of this design."""
    from blender_addon.ops_add import new_knot

    return new_knot(bpy.context, design, "Knot")


def test_without_a_knot_the_tab_offers_to_add_one_and_to_open_one():
    notes = drawn(ui.VIEW3D_PT_relief_knot)
    assert "No knot is selected" in notes
    assert {note[0] for note in notes if isinstance(note, tuple)} >= {"mesh.relief_knot_add", "mesh.relief_knot_import"}
    assert all(drawn(cls) is None for cls in PANELS if cls is not ui.VIEW3D_PT_relief_knot)


@pytest.mark.parametrize("name", FAULTY)
def test_every_section_draws_and_changes_nothing(name):
    obj = new(FAULTY[name])
    kept = (obj.relief_knot.text, obj.relief_knot.report, obj.relief_knot.error, len(obj.data.vertices))
    for cls in PANELS:
        assert drawn(cls) is not None
    assert (obj.relief_knot.text, obj.relief_knot.report, obj.relief_knot.error, len(obj.data.vertices)) == kept


@pytest.mark.parametrize(
    ("design", "thing"),
    [
        (Design(Grid(2, 2, 10.0, 10.0), heights=Heights(Making.FUSED)), "piece"),
        (Design(Strip(2, 2, 8.0, 8.0)), "kit"),
    ],
    ids=["piece", "kit"],
)
def test_sections_of_what_is_made_draw_before_and_after_and_change_nothing(design, thing):
    obj = new(design)
    for made in (False, True):
        if made:
            assert getattr(bpy.ops.mesh, f"relief_knot_{thing}")() == {"FINISHED"}
        kept = obj.relief_knot.text
        notes = [note for cls in SECTIONS for note in drawn(cls) or ()]
        assert obj.relief_knot.text == kept
        assert (f"mesh.relief_knot_{thing}", operator_type(f"mesh.relief_knot_{thing}").name) in notes
        assert (f"The {thing} is not made yet" in notes) is not made


def test_sections_stand_in_the_order_of_the_work_and_few_are_open_at_first():
    top = [cls for cls in PANELS if getattr(cls, "bl_parent_id", "") == "VIEW3D_PT_relief_knot"]
    labels = [cls.bl_label for cls in top]
    order = ["Layout", "Breaks", "Dividing", "Weave", "Strand", "Heights", "Making", "Checks", "Files"]
    assert [label for label in labels if label in order] == order
    is_open = [cls.bl_label for cls in top if "DEFAULT_CLOSED" not in getattr(cls, "bl_options", set())]
    assert is_open == ["Layout", "Breaks", "Making", "Checks"]


def test_the_summary_says_counts_measures_and_mass(knot):
    report = store.report_of(knot)
    knot.relief_knot.metal = "GOLD"
    mass = report["volume_mm3"] * 19.32 / 1000
    lines = [line.replace("\u00a0", " ") for line in ui.summary(knot)]
    assert lines[0].startswith(f"{report['facts']['crossings']} crossings, ")
    assert f"{report['facts']['exceptions']} exception" in lines[0]
    assert "mm deep" in lines[1] and "climbs" in lines[1]
    assert lines[2].startswith("at most ") and lines[2].endswith(f"{mass:.3g} g in fine gold")
    assert "e+" not in " ".join(lines), "numbers as people write them"
    knot.relief_knot.way = "CARVED"
    assert len(ui.summary(knot)) == 2, "the board of a carved knot is not drawn, so nothing is said of its mass"


def test_the_summary_breaks_between_its_parts_only(knot):
    for width in range(20, 60):
        for line in ui_parts.wrap(ui.summary(knot)[0], width):
            assert not line.rstrip(",")[-1].isdigit(), "a number stays with its word"


def test_every_finding_is_said_in_german_with_its_numbers_kept():
    def look(text):
        return translations.GERMAN.get(text, text)

    for findings in FOUND.values():
        for finding in findings:
            for text in (finding.place, finding.remedy):
                german = translations.said(text, look)
                assert not re.search(r"\b(the|and|or|of|with|would|crossing|crossings|width|step)\b", german), german
                assert translations.NUMBER.findall(german) == translations.NUMBER.findall(text)
            for change in finding.changes:
                assert translations.said(ops_mend.label(*change), look) != ops_mend.label(*change)
    for key in ops_mend.LABELS:
        for value in (None, 1.5) if key == "layout.cell" else (1.5,):
            assert translations.said(ops_mend.label(key, value), look) != ops_mend.label(key, value)


def test_the_volume_is_that_of_the_mesh_blender_shows():
    import bmesh

    obj = new(Design(Grid(3, 2, 10.0, 10.0)))
    body = bmesh.new()
    body.from_mesh(obj.data)
    assert body.calc_volume(signed=True) * 1e9 == pytest.approx(store.report_of(obj)["volume_mm3"], rel=1e-2)
    body.free()


def test_every_property_says_what_it_does_and_lengths_in_what_unit():
    groups = [props.ReliefKnotSettings, props.ReliefKnotSession]
    inherited = {"filepath", "check_existing", "filter_glob", "align", "location", "rotation", "rna_type"}
    assert len(OPERATORS) > 50
    for cls in groups + OPERATORS:
        kind = operator_type(cls.bl_idname) if cls in OPERATORS else cls.bl_rna
        for prop in kind.properties:
            if prop.identifier in inherited | {"name", "properties"} or prop.identifier.startswith("filter_"):
                continue
            assert prop.description and prop.name, (cls, prop.identifier)
            assert not prop.description.endswith("."), (cls, prop.identifier)
            if prop.type == "FLOAT" and prop.subtype == "DISTANCE":
                assert "mm" in prop.description, prop.identifier
            if prop.type == "FLOAT" and prop.subtype == "ANGLE":
                assert "degrees" in prop.description, prop.identifier
            if prop.type == "ENUM" and prop.identifier not in {"section", "topic"}:
                assert all(item.description for item in prop.enum_items), prop.identifier
    for cls in OPERATORS:
        assert cls.bl_description, cls


OPERATORS = [
    cls
    for module in MODULES
    for cls in getattr(module, "CLASSES", ())
    if issubclass(cls, bpy.types.Operator) and "relief_knot" in cls.bl_idname
]


def call(cls):
    """An operator, to be called."""
    group, word = cls.bl_idname.split(".")
    return getattr(getattr(bpy.ops, group), word)


@pytest.mark.parametrize("scene", ["nothing", "a knot", "a knot in Edit Mode"])
def test_what_cannot_be_done_says_why(scene):
    if scene != "nothing":
        new(Design(Grid(2, 2, 10.0, 10.0)))
    if scene == "a knot in Edit Mode":
        bpy.ops.object.mode_set(mode="EDIT")
    refused = [cls for cls in OPERATORS if not call(cls).poll()]
    assert len(refused) > (10 if scene == "a knot" else 30)
    for cls in refused:
        with pytest.raises(RuntimeError, match=r"poll\(\)") as told:
            call(cls)()
        assert "context is incorrect" not in str(told.value), cls.bl_idname
    if scene == "a knot in Edit Mode":
        bpy.ops.object.mode_set(mode="OBJECT")


def test_what_writes_files_asks_no_undo_and_what_changes_the_scene_does():
    kept = {cls.bl_idname.split("relief_knot_")[1] for cls in OPERATORS if "UNDO" not in getattr(cls, "bl_options", ())}
    files = {"export", "export_mesh", "export_piece", "export_set", "export_kit", "carve_files", "sheet", "preview"}
    users = {"keep", "drop_start", "forget", "assets", "copy_depths", "help"}
    views = {"look", "piece_look", "work", "watch", "stop"}
    strokes = {"draw"}  # pushes a step for each
    assert kept == files | users | views | strokes


def mendable():
    """Every remedy of every finding of the faulty designs."""
    for name, findings in FOUND.items():
        for number, finding in enumerate(findings):
            for remedy, change in enumerate(finding.changes):
                yield pytest.param(name, number, remedy, id=f"{name}, {number} {finding.kind}, {change.key}")


FOUND = {name: make(design).findings for name, design in FAULTY.items()}
MENDABLE = list(mendable())


def test_all_kinds_of_findings_are_among_those_tried():
    kinds = {finding.kind for findings in FOUND.values() for finding in findings}
    assert kinds >= {"bend", "step", "slope", "depth"}
    assert all(finding.changes for findings in FOUND.values() for finding in findings)


@pytest.mark.parametrize(("name", "number", "remedy"), MENDABLE)
def test_one_click_on_a_remedy_mends_its_finding(name, number, remedy):
    obj = new(FAULTY[name])
    finding = store.report_of(obj)["findings"][number]
    text = obj.relief_knot.text
    assert bpy.ops.mesh.relief_knot_mend(finding=number, remedy=remedy) == {"FINISHED"}
    assert obj.relief_knot.text != text
    left = [(other["kind"], other["place"]) for other in store.report_of(obj)["findings"]]
    assert (finding["kind"], finding["place"]) not in left


def test_a_remedy_that_is_not_there_is_refused_in_words():
    new(FAULTY["depth"])
    with pytest.raises(RuntimeError, match="No such remedy; the knot has"):
        bpy.ops.mesh.relief_knot_mend(finding=99)


def test_the_button_of_a_remedy_says_its_number():
    new(FAULTY["depth"])
    (finding,) = store.report_of(bpy.context.object)["findings"]
    (change,) = finding["changes"]
    labels = [note[1] for note in drawn(ui.VIEW3D_PT_relief_knot_checks) if note[0] == "mesh.relief_knot_mend"]
    assert labels == [ops_mend.label(*change)] and f"{change[1]:g} mm" in labels[0]
    assert f"{change[1]:.4g} mm" in finding["remedy"], "the same number as in the words"


def test_show_place_puts_the_3d_cursor_on_it(knot):
    knot.location, knot.scale = (1, 2, 3), (2, 2, 2)
    bpy.context.view_layer.update()
    assert bpy.ops.mesh.relief_knot_look(at=(7.0, 14.0)) == {"FINISHED"}
    assert tuple(bpy.context.scene.cursor.location) == pytest.approx((1.014, 2.028, 3))


def test_a_scaled_object_and_a_unit_that_is_no_millimetre_are_warned_about(knot):
    from blender_addon import ops_files

    scene = bpy.context.scene
    assert ops_files.warnings(knot, scene) == []
    knot.scale = (2, 2, 2)
    bpy.context.view_layer.update()
    (said,) = ops_files.warnings(knot, scene)
    assert "scaled 2 x 2 x 2" in said
    assert said in " ".join(line for line in drawn(ui.VIEW3D_PT_relief_knot_making) if isinstance(line, str))
    knot.scale = (1, 1, 1)
    bpy.context.view_layer.update()
    knot.relief_knot.measure = "UNIT"
    assert "1 mm here but 1 m in the scene" in ops_files.warnings(knot, scene)[0]
    scene.unit_settings.scale_length = 0.001
    assert ops_files.warnings(knot, scene) == []
