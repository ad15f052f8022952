"""The one error a user can cause: a design that cannot be read or is impossible."""

from __future__ import annotations


class DesignError(ValueError):
    """A design that cannot be made, said so that its user can put it right.

    Parameters
    ----------
    problem : str
        What is wrong, with the value that was found.
    remedy : str
        What would be right, in numbers where there are any.
    place : str
        Where in the design, as a path of keys: ``breaks.horizontal[2]``. Empty for the whole.
    file : str
        The file it came from; empty where there is none (a design made in memory).
    """

    def __init__(self, problem: str, remedy: str, place: str = "", file: str = "") -> None:
        super().__init__(problem)
        self.problem = problem
        self.remedy = remedy
        self.place = place
        self.file = file

    def within(self, file: str) -> DesignError:
        """The same error, naming ``file`` as its source."""
        return DesignError(self.problem, self.remedy, self.place, file)

    def __str__(self) -> str:
        """One line: file, place, what is wrong, what would be right."""
        where = ": ".join(part for part in (self.file, self.place) if part)
        line = f"{where}: {self.problem}; {self.remedy}" if where else f"{self.problem}; {self.remedy}"
        return " ".join(line.split())
