"""Runs inside the window's Blender: presses keys, moves and clicks the mouse, takes pictures, notes what it sees."""

import json
import subprocess
import sys
import time
import traceback

import bpy

PACKAGE = "bl_ext.user_default.relief_knots"


class Hands:
    """A person at the screen. Coordinates are pixels of the window from its lower left corner."""

    def __init__(self):
        self.seen = {}
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
        rebuild, end = sys.modules[f"{PACKAGE}.rebuild"], time.monotonic() + seconds
        while time.monotonic() < end:
            obj = bpy.context.view_layer.objects.active
            if obj is None or obj.relief_knot.error or not rebuild.is_stale(obj):
                break
            yield 0.1
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
