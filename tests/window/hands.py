"""Runs inside the window's Blender: presses keys, moves and clicks the mouse, takes pictures, notes what it sees."""

import inspect
import json
import subprocess
import sys
import time
import traceback

import bpy

PACKAGE = "bl_ext.user_default.relief_knots"


def part(name):
    """A module of the add-on."""
    return sys.modules[f"{PACKAGE}.{name}"]


def active():
    """The active object, None where there is none."""
    return bpy.context.view_layer.objects.active


def sections():
    """The sub-panels of the add-on's tab, in the order in which they were registered."""
    for module in sys.modules[PACKAGE].MODULES:
        for cls in getattr(module, "CLASSES", ()):
            panel = inspect.isclass(cls) and issubclass(cls, bpy.types.Panel) and getattr(cls, "bl_parent_id", "")
            if panel and (cls.bl_space_type, cls.bl_region_type) == ("VIEW_3D", "UI"):
                yield cls


def open_only(*names):
    """Let only these sections be open where the tab is shown for the first time."""
    found = list(sections())
    for cls in reversed(found):
        bpy.utils.unregister_class(cls)
    for cls in found:
        options = set(getattr(cls, "bl_options", ())) - {"DEFAULT_CLOSED"}
        cls.bl_options = options if cls.bl_label in names else options | {"DEFAULT_CLOSED"}
        bpy.utils.register_class(cls)


class Heart:
    """Beats in Blender's own thread; a pause between beats is time in which Blender was not to be reached."""

    def __init__(self):
        self.last, self.pauses, self.on = time.monotonic(), [], True
        bpy.app.timers.register(self.beat)

    def beat(self):
        """One beat."""
        now = time.monotonic()
        self.pauses.append(now - self.last)
        self.last = now
        return 0.01 if self.on else None

    def take(self):
        """The longest pauses since the last call, s, the longest first."""
        longest = sorted(self.pauses, reverse=True)[:3]
        self.pauses = []
        return longest


class Hands:
    """A person at the screen. Coordinates are pixels of the window from its lower left corner."""

    def __init__(self):
        self.seen = {}
        self.begun = time.monotonic()
        self.at = (800, 450)
        self.keys = self.clicks = 0
        """What a person would have pressed so far; a key held counts too."""

    @property
    def window(self):
        """The one window."""
        return bpy.context.window_manager.windows[0]

    @property
    def area(self):
        """Its 3D view."""
        return next(area for area in self.window.screen.areas if area.type == "VIEW_3D")

    def region(self, kind):
        """A region of the 3D view."""
        return next(region for region in self.area.regions if region.type == kind)

    def move(self, x, y):
        """Put the pointer somewhere."""
        self.at = (int(x), int(y))
        self.window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=self.at[0], y=self.at[1])

    def tap(self, key, **held):
        """Press and let go of a key or mouse button; ``shift=True`` and so on hold others meanwhile."""
        if key.endswith("MOUSE"):
            self.clicks += 1
        else:
            self.keys += 1
        self.keys += len(held)
        for value in ("PRESS", "RELEASE"):
            self.window.event_simulate(type=key, value=value, x=self.at[0], y=self.at[1], **held)

    def type(self, text):
        """Type letters and spaces."""
        for letter in text:
            self.keys += 1
            key = "SPACE" if letter == " " else letter.upper()
            for value, extra in (("PRESS", {"unicode": letter}), ("RELEASE", {})):
                self.window.event_simulate(type=key, value=value, x=self.at[0], y=self.at[1], **extra)

    def picture(self, name):
        """Keep what the screen shows."""
        subprocess.run(["import", "-window", "root", f"/job/{name}.png"], check=True)

    def note(self, name, value):
        """Keep a value for the test to look at."""
        self.seen[name] = value

    def made(self, seconds=60.0):
        """Wait until the mesh of the active knot is that of its design, and no draft; then let it be drawn."""

        def is_made():
            obj = active()
            return obj is None or obj.relief_knot.error or not part("rebuild").is_stale(obj)

        yield from self.wait(is_made, seconds)
        yield

    def wait(self, until, seconds=30.0, pause=0.1):
        """Let time go by until something holds."""
        end = time.monotonic() + seconds
        while not until() and time.monotonic() < end:
            yield pause

    def lap(self, name):
        """Keep how long the session has taken so far."""
        self.note("took", [*self.seen.get("took", ()), [name, round(time.monotonic() - self.begun, 1)]])

    def in_view(self):
        """Lets operators run in the 3D view's main region: ``with hands.in_view(): ...``."""
        return bpy.context.temp_override(window=self.window, area=self.area, region=self.region("WINDOW"))

    def clear(self):
        """Put the splash away, and all objects; the pointer lies in the middle of the view."""
        region = self.region("WINDOW")
        self.move(region.x + region.width // 2, region.y + region.height // 2)
        yield
        self.tap("ESC")
        yield
        self.delete_all()
        yield

    def delete_all(self):
        """Leave nothing in the scene."""
        with self.in_view():
            bpy.ops.object.select_all(action="SELECT")
            bpy.ops.object.delete()

    def from_above(self):
        """See what is selected whole, from above."""
        with self.in_view():
            bpy.ops.view3d.view_axis(type="TOP")
            bpy.ops.view3d.view_selected()

    def show_tab(self):
        """Show the add-on's tab in the sidebar."""
        self.area.spaces.active.show_region_ui = True
        yield
        yield
        self.region("UI").active_panel_category = "Relief Knot"
        self.area.tag_redraw()
        yield
        yield

    def empty_scene(self, purpose):
        """A scene in mm with a knot of 3 x 3 cells for a purpose, its sidebar small enough to be seen whole."""
        yield from self.clear()
        bpy.context.scene.unit_settings.length_unit = "MILLIMETERS"
        bpy.context.preferences.view.smooth_view = 0
        bpy.context.preferences.view.ui_scale = 0.65  # sections in sight without scrolling
        with self.in_view():
            bpy.ops.mesh.relief_knot_add("EXEC_DEFAULT", purpose=purpose)
        knot = active().relief_knot
        knot.columns = knot.rows = 3

    def look_at(self, seen, other):
        """Bring an object to the middle of the view, seen from above, and leave ``other`` active."""
        for each in bpy.context.selected_objects:
            each.select_set(False)
        seen.select_set(True)
        self.from_above()
        seen.select_set(False)
        other.select_set(True)
        bpy.context.view_layer.objects.active = other

    def show_sidebar(self, *names):
        """Show the add-on's tab with only these sections open."""
        open_only(*names)
        with bpy.context.temp_override(window=self.window):
            bpy.ops.workspace.duplicate()  # a new screen has no memory of which sections were open
        yield
        yield
        yield from self.show_tab()

    def find(self, wanted, across=0.7):
        """Go down the sidebar until the button under the pointer is that of ``wanted``; gives whether it is there.

        ``wanted`` is part of what Blender copies of a button: the data path of a value, the call of an operator.
        """
        region = self.region("UI")
        x = region.x + region.width * across
        self.move(self.region("WINDOW").x + 200, region.y + 200)  # away from what is still under the pointer
        yield 1.0
        for y in range(region.y + region.height - 60, region.y + 4, -10):
            if (yield from self._is_under(x, y, wanted)):
                ends = []
                for step in (3, -3):  # a button's edge does not take all that its middle does
                    end = y
                    while abs(end - y) < 30 and (yield from self._is_under(x, end + step, wanted)):
                        end += step
                    ends.append(end)
                self.move(x, sum(ends) / 2)
                yield
                return True
        return False

    def _is_under(self, x, y, wanted):
        """Whether a button of the sidebar there is that of ``wanted``."""
        self.move(x, y)
        yield 0.06
        with bpy.context.temp_override(window=self.window, area=self.area, region=self.region("UI")):
            for copy in (bpy.ops.ui.copy_data_path_button, bpy.ops.ui.copy_python_command_button):
                if copy.poll():
                    bpy.context.window_manager.clipboard = ""
                    copy()
                    if wanted in bpy.context.window_manager.clipboard:
                        return True
        return False

    def browser(self, seconds=10.0):
        """Wait for a file dialog; gives its window and area, None for both where none comes."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for window in bpy.context.window_manager.windows:
                for area in window.screen.areas:
                    if area.type == "FILE_BROWSER" and area.spaces.active.params:
                        yield
                        return window, area
            yield 0.1
        return None, None

    def enter(self, window, area):
        """Press Enter in a file dialog and wait until it has gone."""
        x, y, count = area.x + area.width // 2, area.y + area.height // 2, len(bpy.context.window_manager.windows)
        for value in ("PRESS", "RELEASE"):
            window.event_simulate(type="RET", value=value, x=x, y=y)
        yield from self.wait(lambda: len(bpy.context.window_manager.windows) < count, 10)
        yield

    def pixel(self, world):
        """Where a point of the world is on the screen."""
        from bpy_extras.view3d_utils import location_3d_to_region_2d

        region = self.region("WINDOW")
        found = location_3d_to_region_2d(region, region.data, world)
        return region.x + found.x, region.y + found.y


def run(steps):
    """Let ``steps(hands)``, a generator, act from yield to yield, with time in between for Blender to draw.

    What it yields is how many seconds to leave, 0.4 where nothing is said.
    """
    hands = Hands()
    acting = steps(hands)

    def finish():
        with open("/job/seen.json", "w", encoding="utf-8") as file:
            json.dump(hands.seen, file, indent=1, default=str)
        bpy.ops.wm.quit_blender()

    def tick():
        try:
            pause = next(acting)
        except StopIteration:
            finish()
            return None
        except Exception:
            hands.note("failed", traceback.format_exc())
            traceback.print_exc(file=sys.stderr)
            finish()
            return None
        return 0.4 if pause is None else pause

    bpy.app.timers.register(tick, first_interval=2.0)
