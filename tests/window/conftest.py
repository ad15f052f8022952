"""What runs inside the window's Blender is no test module."""

collect_ignore = ["work.py", "hands.py"]
