"""For the maker of pendants: one sound solid with its fittings, measured, weighed and checked."""
