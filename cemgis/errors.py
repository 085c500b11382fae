"""What can go wrong with what a person gave us: where, what, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = ["CemgisError", "Gather", "InputError", "Problem"]


class CemgisError(Exception):
    """Base of every error this package raises on purpose."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with an input.

    Parameters
    ----------
    where : str
        File, row, key or column.
    what : str
        What was found there.
    remedy : str
        What to do about it; an imperative sentence.

    Examples
    --------
    >>> str(Problem("plat/lots.csv [B-12]", "the lot is there twice, rows 14 and 31", "Renumber one."))
    'plat/lots.csv [B-12]: the lot is there twice, rows 14 and 31. Renumber one.'
    """

    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        what = self.what.rstrip(".")
        return f"{self.where}: {what}. {self.remedy}".rstrip()


class InputError(CemgisError, ValueError):
    """An input that cannot be used, with all its problems at once.

    Parameters
    ----------
    problems : one or more `Problem`

    Examples
    --------
    >>> print(InputError(Problem("ground.toml", "no crs", 'Write crs = "EPSG:6549".')))
    ground.toml: no crs. Write crs = "EPSG:6549".
    """

    def __init__(self, *problems: Problem) -> None:
        self.problems = problems
        super().__init__(*problems)

    def __str__(self) -> str:
        if len(self.problems) == 1:
            return str(self.problems[0])
        lines = [f"{len(self.problems)} problems:"]
        lines += [f"  {number}. {problem}" for number, problem in enumerate(self.problems, 1)]
        return "\n".join(lines)

    @classmethod
    def of(cls, where: str, what: str, remedy: str) -> InputError:
        """Make the error for a single problem."""
        return cls(Problem(where, what, remedy))


@dataclass
class Gather:
    """Collects problems so that a person can mend a file in one pass.

    Examples
    --------
    >>> gather = Gather()
    >>> gather.add("lots.csv", "no column 'lot'", "Add it.")
    >>> bool(gather), len(gather)
    (True, 1)
    """

    problems: list[Problem] = field(default_factory=list)

    def add(self, where: str, what: str, remedy: str) -> None:
        """Note one problem."""
        self.problems.append(Problem(where, what, remedy))

    def take(self, error: InputError) -> None:
        """Note all problems of an error that was caught."""
        self.problems.extend(error.problems)

    def raise_if_any(self) -> None:
        """Raise `InputError` with everything noted, if anything was."""
        if self.problems:
            raise InputError(*self.problems)

    def __len__(self) -> int:
        return len(self.problems)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.problems)
