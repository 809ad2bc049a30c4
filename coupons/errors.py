"""The tree of errors that a user may see: one sentence, the place, what to do."""

from __future__ import annotations


class FitassayError(Exception):
    """Base of all errors that are shown to the user as one sentence.

    Attributes
    ----------
    exit_code : int
        What the command line returns: 1, the job could not be done; 2, bad usage or bad input.
    """

    exit_code = 1


class JobError(FitassayError, RuntimeError):
    """The input is fine but the job cannot be done (does not fit, cannot be written)."""

    exit_code = 1


class WriteError(JobError):
    """A place that cannot be written: read-only, full, gone. The user names another, so it counts as input."""

    exit_code = 2


class InputError(FitassayError, ValueError):
    """Something the user gave is wrong.

    Parameters
    ----------
    message : str
        What is wrong and what to do, one sentence.
    place : str, optional
        Where: file, line, field.
    """

    exit_code = 2

    def __init__(self, message: str, place: str = "") -> None:
        super().__init__(f"{place}: {message}" if place else message)
        self.message = message
        self.place = place


MOST_SHOWN = 20
"""Problems of one file that are shown; the rest is counted."""


class ThinPeg(InputError):
    """A peg or tongue too thin for one bead; how wide it is drawn [mm]."""

    def __init__(self, what: str, size_mm: float, width: float, place: str = "predict") -> None:
        super().__init__(f"a {size_mm:g} mm {what} is thinner than one bead of {width:g} mm", place)
        self.size_mm = size_mm


class InputErrors(InputError):
    """Several problems of one file, collected and reported together, one a line."""

    def __init__(self, problems: list[InputError]) -> None:
        self.problems = list(problems)
        lines = [str(p) for p in self.problems[:MOST_SHOWN]]
        if len(self.problems) > MOST_SHOWN:
            file = self.problems[0].place.partition(",")[0]
            lines.append(
                f"{file}: {len(self.problems) - MOST_SHOWN} more problems of the same file, not shown"
            )
        Exception.__init__(self, "\n".join(lines))
        self.message = str(self)
        self.place = ""
