"""Everything ringscan raises on purpose, and the exit status each ends in.

    RingscanError (1)
    ├── OptionError (2)       what was given with a command is wrong: a text, a limit, a wish
    ├── PlanError (3)         the plan is wrong, unreadable or does not match
    ├── PhotoError (4)        the picture cannot be read
    ├── SheetError (5)        no scale reference in the picture
    ├── FaceError (6)         the tower's face cannot be found
    ├── OutputError (7)       a result cannot be written
    └── GcodeError (8)        a toolpath file cannot be read or would not print as planned

Status 0 is a result, also when that result is "no call"; 2 is also a wrong command line.
"""

import os
import traceback


def why(exc: Exception) -> str:
    """Why a file cannot be read or written, in words that are not Python's."""
    if isinstance(exc, UnicodeDecodeError):
        return "it is not UTF-8 text"
    return getattr(exc, "strerror", None) or " ".join(str(exc).split()) or type(exc).__name__


def own_fault(exc: BaseException) -> str:
    """What to say of an error that nobody raised on purpose, in one line, with its place."""
    place = traceback.extract_tb(exc.__traceback__)[-1:]
    where = "".join(f" in {os.path.basename(frame.filename)}:{frame.lineno}" for frame in place)
    text = " ".join(str(exc).split())
    return f"an error of the program's own: {type(exc).__name__}{where}" + (text and f": {text}")


class RingscanError(Exception):
    """Base of every error that is the input's fault: one line of what, where and what to do."""

    exit_status = 1


class OptionError(RingscanError):
    """What was given with the plan is wrong: a text of the user's, a limit, a wish."""

    exit_status = 2


class PlanError(RingscanError):
    """The plan is missing, unreadable, or contradicts itself or the picture."""

    exit_status = 3


class PhotoError(RingscanError):
    """The picture file cannot be read, or is not fit to be measured."""

    exit_status = 4


class SheetError(RingscanError):
    """No scale reference (scan sheet) was found in the picture."""

    exit_status = 5


class FaceError(RingscanError):
    """The tower's face was not found where the sheet says it lies."""

    exit_status = 6


class OutputError(RingscanError):
    """A result could not be written; what was there before is untouched."""

    exit_status = 7


class GcodeError(RingscanError):
    """A toolpath file cannot be read, or holds what cannot be followed."""

    exit_status = 8
