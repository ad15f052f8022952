"""For the carver: the relief as a height field on a board, what cutters reach of it, and the pattern sheet."""
