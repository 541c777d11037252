"""What else stands in a finished file: commands that no move shows, but that may spoil a tower."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from ringscan.make.gcodelines import read_lines
from ringscan.make.texts import Texts
from ringscan.make.words import ABSOLUTE_E, RELATIVE_E, parse_line, without_comment

MOST_KINDS = 50
"""More kinds of commands than any file needs; it bounds the memory."""
LONGEST = 30
"""Characters of a command that are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """A kind of command that is not read: an M or T word, or what is no plain G-code.

    name : its first word
    count : how often it stands there
    line : of the file, from 1, where it stands first
    text : what it says there
    """

    name: str
    count: int
    line: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """What a file holds besides moves and the ramp.

    others : among the layers that the ramp commands, by their first line
    told_relative_e : what the last word for it (common practice) before the first layer says of
        how E counts; None without one
    """

    others: tuple[Other, ...]
    told_relative_e: bool | None


def read_unread(
    path: Path, texts: Texts | None, *, base: int, first: int | None, last: int
) -> Unread:
    """Look through a file once more.

    Parameters
    ----------
    texts : of the ramp, which are no others
    base : first line of the first layer
    first, last : lines between which the others are gathered; none without `first`

    Raises
    ------
    GcodeError
        If the file cannot be read.
    """
    patterns = [] if texts is None else texts.line_patterns()
    found: dict[str, Other] = {}
    relative = None
    for number, line in read_lines(path):
        if number > last:
            break
        if line[:1] in b"G;\r\n":  # nearly all lines
            continue
        text = without_comment(line.decode("utf-8", "replace")).strip()
        words = parse_line(text)
        if number < base and words is not None:
            told = [word for word in words if word in (ABSOLUTE_E, RELATIVE_E)]
            relative = told[-1] == RELATIVE_E if told else relative
        if first is None or number < first:
            continue
        if words is not None and not any(letter in "MT" for letter, _ in words):
            continue
        if any(pattern.fullmatch(text) for pattern in patterns):
            continue
        name = _name(text, plain=words is not None)
        if (known := found.get(name)) is not None:
            found[name] = replace(known, count=known.count + 1)
        elif len(found) < MOST_KINDS:
            found[name] = Other(name=name, count=1, line=number, text=_shortened(text))
    return Unread(others=tuple(found.values()), told_relative_e=relative)


def _name(text: str, *, plain: bool) -> str:
    """The word that says what a command does."""
    if plain and (word := re.search(r"[MT] ?\d+(\.\d+)?", text.upper())):
        return word[0].replace(" ", "")
    return _shortened(text.split()[0])


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"
